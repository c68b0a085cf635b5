"""Where printed numbers come from, and how well each is known.

published: the document was read. second-hand: another document restates it. memory: recalled, not
re-read. derived: worked out from the stated formula. common practice: no source.
"""

from __future__ import annotations

from typing import Literal

Flag = Literal["published", "second-hand", "memory", "derived", "common practice"]
EXACT = 1e-9

CDC = "Best Practices for Environmental Cleaning in Limited Resources, CDC, App. E"
WHO_2014 = "Interim IPC Guidance, Filovirus, WHO 2014, Annex G"
JHPIEGO = "Infection Prevention Guidelines, Jhpiego 2003"
LAB = "Laboratory Biosafety Manual, WHO, Table 12"
CHOLERA = "Cholera tables, UNICEF and MSF"
FORMULA = "stock / target - 1, or target / product x 1000"
