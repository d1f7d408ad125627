"""The errors of the whole tool. Anything else that escapes is a defect of ours, not of what was typed."""

from __future__ import annotations

from airyoke.quantities.finding import Finding


class AiryokeError(Exception):
    """Anything the tool reports in words instead of a traceback."""


class Refused(AiryokeError):  # noqa: N818 - the word of the contract
    """Bad input that stops a command. ``findings`` say what, where and what to do; there is at least one."""

    def __init__(self, findings: tuple[Finding, ...]) -> None:
        if not findings:
            raise ValueError("a refusal needs at least one finding")
        self.findings = findings
        super().__init__("; ".join(f"{finding.id}: {finding.reason}" for finding in findings))
