"""Record what was noticed about the data, and print it one line each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["FIRST_IDS", "Finding", "Severity", "first_few", "format_findings"]

Severity = Literal["error", "warning", "assumption", "note"]

FIRST_IDS = 5
"""How many offending ids or rows a message names (common practice, no source)."""

_RANK: dict[str, int] = {"error": 0, "warning": 1, "assumption": 2, "note": 3}


@dataclass(frozen=True)
class Finding:
    """One thing noticed about a layer: what kind, how grave, how many, which first, and how to mend it."""

    kind: str
    severity: Severity
    layer: str
    message: str
    count: int = 0
    first_ids: tuple[str, ...] = ()
    mend: str = ""

    def __str__(self) -> str:
        named = f" (first: {', '.join(self.first_ids)})" if self.first_ids else ""
        head = f"{self.severity}: {self.layer}: {self.message}{named}"
        return f"{head}; {self.mend}" if self.mend else head


def format_findings(findings: Iterable[Finding]) -> list[str]:
    """Write findings as plain text lines, the gravest first, otherwise in the order given.

    Examples
    --------
    >>> format_findings([Finding("beyond", "note", "washes", "3 features are beyond the area", count=3)])
    ['note: washes: 3 features are beyond the area']
    """
    return [str(finding) for finding in sorted(findings, key=lambda finding: _RANK[finding.severity])]


def first_few(values: Sequence[Any] | Iterable[Any]) -> tuple[str, ...]:
    """Take the first few ids or rows as text.

    Examples
    --------
    >>> first_few(range(9))
    ('0', '1', '2', '3', '4')
    """
    return tuple(str(value) for value in list(values)[:FIRST_IDS])
