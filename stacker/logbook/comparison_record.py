"""What a comparison of runs tells."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.logbook.fairness import Judged
from stacker.logbook.figures import Figure
from stacker.logbook.limit_shares import Shares
from stacker.logbook.logged_run import Measured
from stacker.logbook.runs import Runs

BETTER, WORSE, HIGHER, LOWER = "better", "worse", "higher", "lower"
NO_DIFFERENCE, CANNOT_TELL = "no difference", "cannot tell"


@dataclass(frozen=True)
class Group:
    """Runs that are one side of the comparison."""

    label: str
    runs: Runs
    limits: Shares = ()
    """What stood between these runs and the diffraction limit: name and mean share, worst first."""


@dataclass(frozen=True)
class Difference:
    """One group against another in one figure."""

    one: int
    other: int
    value: float
    """`one` over `other` for figures compared by ratio, else `one` minus `other`; nan where it cannot be told."""
    error: float
    chance: float
    """How often so much comes about where there is no difference."""
    chance_of_many: float
    """The same, the number of differences that are looked at taken into account (Holm)."""
    detectable: float
    """What would have been seen: a ratio above 1, or a difference; nan where it cannot be told."""
    verdict: str
    """Of `one`: better, worse, higher, lower; or: no difference, cannot tell."""
    sentence: str


@dataclass(frozen=True)
class Row:
    """One figure over all groups."""

    figure: Figure
    means: tuple[Measured | None, ...]
    """A group's mean over its runs; geometric for figures compared by ratio."""
    counts: tuple[int, ...]
    """Runs behind each mean."""
    scatter: float
    """How much more runs scatter than their error bars say; nan where nothing tells."""
    order: tuple[int, ...]
    """Groups from best to worst, or from low to high where neither is better; what else differed is taken out."""
    differences: tuple[Difference, ...]


@dataclass(frozen=True)
class Comparison:
    """What a comparison tells, for tables, pictures and pages."""

    by: str
    groups: tuple[Group, ...]
    rows: tuple[Row, ...]
    fairness: Judged
    """Each run against its telescope's limit and against its air, in the order of the groups."""
    alpha: float
    looked_at: int
    """Differences that were tested; `alpha` holds for all of them together."""
    notes: tuple[str, ...]

    @property
    def runs(self) -> Runs:
        """All runs, in the order of the groups."""
        return self.fairness.runs

    @property
    def sentences(self) -> tuple[str, ...]:
        """Everything that differs, then everything that does not."""
        told = [found for row in self.rows for found in row.differences]
        differ = [found.sentence for found in told if found.verdict not in (NO_DIFFERENCE, CANNOT_TELL)]
        return (*differ, *(found.sentence for found in told if found.verdict == NO_DIFFERENCE))
