"""Every choice that a user can make, stage by stage: unit, range, default and the reason for the default."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


def choice(default: Any, *, unit: str, allowed: str, reason: str) -> Any:
    """Declare one setting: its default, its unit, what is allowed (in words) and why this default."""
    return field(default=default, metadata={"unit": unit, "allowed": allowed, "reason": reason})


@dataclass(frozen=True)
class RankingSettings:
    """How frames are judged."""

    target: str = choice(
        "auto", unit="", allowed="auto, disc or surface", reason="a disc is surrounded by sky, a surface fills the frame"
    )


@dataclass(frozen=True)
class AlignmentSettings:
    """How the kept frames are brought onto one geometry."""

    effort: str = choice(
        "full", unit="", allowed="quick or full", reason="quick halves the time where a preview is enough"
    )


@dataclass(frozen=True)
class StackingSettings:
    """Which frames are averaged and how."""

    keep: float | str = choice(
        "auto", unit="percent of the usable frames", allowed="auto, or above 0 up to 100", reason="measured from the capture"
    )


@dataclass(frozen=True)
class SharpeningSettings:
    """How the linear stack is sharpened."""


@dataclass(frozen=True)
class Settings:
    """All settings of one run; a run folder's settings.toml holds exactly these."""

    ranking: RankingSettings = field(default_factory=RankingSettings)
    alignment: AlignmentSettings = field(default_factory=AlignmentSettings)
    stacking: StackingSettings = field(default_factory=StackingSettings)
    sharpening: SharpeningSettings = field(default_factory=SharpeningSettings)
