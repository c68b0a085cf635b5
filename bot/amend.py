"""What people ask of the register by text, and the codes that let a phone into it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

# What cannot be taken for one another in handwriting or on a small screen: no O 0, I 1 L, no S 5,
# no Z 2. Six of them are 28 bits; five tries a day are no way to one.
CODE_LETTERS = "ABCDEFGHJKMNPQRTUVWXY346789"
CODE_LENGTH = 6
CODE_HOURS = 48  # over a weekend off duty; longer, and a note with the code lies about

AmendKind = Literal[
    "enrol",  # *name* works here from now on, as *value* says, with *phone*
    "number",  # *about* has *phone* from now on
    "language",  # *about* reads *value*
    "shift",  # *about* works in the hours *value*; "" for no fixed ones
    "role",  # *about* is *value*
    "remove",  # *about* does not work here any more
    "new_set",  # the set *about* of the model *value* is here
    "retire",  # the set *about* is used no more
]


@dataclass(frozen=True, slots=True)
class Amend:
    """One change of the register, asked for by the person *by*. The store makes it once.

    *n* puts those of one facility in order. *phone* is E.164, *old* the one that it takes the place
    of; whatever a kind does not need is "".
    """

    id: str
    n: int
    at: datetime
    by: str
    kind: AmendKind
    about: str = ""
    name: str = ""
    phone: str = ""
    value: str = ""
    old: str = ""


@dataclass(frozen=True, slots=True)
class Invite:
    """A code that one phone may use once, until *until*. *by* gave it.

    It is for a new number of the person *about*, or for somebody new ("") who will be *name* with
    *role*. *phone* has used it, and the amendment *amend* says so to the register.
    """

    code: str
    by: str
    until: datetime
    name: str
    role: Literal["nurse", "in_charge"] = "nurse"
    about: str = ""
    phone: str = ""
    amend: str = ""


def code_in(text: str) -> str:
    """The code that *text* is, however it was typed; "" if it cannot be one."""
    code = text.replace(" ", "").replace("-", "").strip(".").upper()
    return code if len(code) == CODE_LENGTH and set(code) <= set(CODE_LETTERS) else ""
