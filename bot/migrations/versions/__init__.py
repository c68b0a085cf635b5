"""One file a step, numbered; a step once released is never edited."""
