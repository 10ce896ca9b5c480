"""Write every case anew: python -m tests.casewriter"""

from __future__ import annotations

from .folders import FOLDER, write_cases

write_cases(FOLDER)
