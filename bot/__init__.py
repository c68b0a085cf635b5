"""How a conversation is kept and carried: the pure step, and the shell around it."""
