"""What every page tells the browser: nothing from elsewhere, nothing kept, nothing passed on."""

from __future__ import annotations

from typing import TypeVar

from werkzeug.wrappers import Response

R = TypeVar("R", bound=Response)

# A page needs its own files and nothing else; an inline script in a message stays text.
POLICY = "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"


def guard(response: R) -> R:
    """*response* with the headers of a page."""
    response.headers["Content-Security-Policy"] = POLICY
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Referrer-Policy"] = "no-referrer"
    response.headers.setdefault("Cache-Control", "no-store")
    return response
