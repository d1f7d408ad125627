"""What hangs at the bed, on the hose and in the folder when the screen is dark?

Sheets arrange what the answers of the contract and the tables of ``watch`` hold; nothing is worked out here. Typst
makes them, from data, with one font, the same bytes for the same entry.
"""

from airyoke.paper.envelope import KINDS
from airyoke.paper.from_record import kept_plan, plan_words, running_groups, short_sha256
from airyoke.paper.gather import gather
from airyoke.paper.material import Material, Provenance
from airyoke.paper.printer import Paper, Sheet, check_paper, pdf, sheets

__all__ = ["KINDS", "Material", "Paper", "Provenance", "Sheet", "check_paper", "gather", "kept_plan", "pdf",
           "plan_words", "running_groups", "sheets", "short_sha256"]  # fmt: skip
