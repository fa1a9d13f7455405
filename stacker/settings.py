"""Every choice that a user can make, stage by stage: unit, range, default and the reason for the default."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import Field, dataclass, field, fields
from math import isfinite
from typing import Any, get_type_hints


class SettingsError(ValueError):
    """A setting cannot be used: which one, what is wrong, what to do, in one line."""


def choice(
    default: Any,
    *,
    unit: str,
    allowed: str,
    reason: str,
    within: tuple[float, float] | None = None,
    options: tuple[str, ...] = (),
) -> Any:
    """Declare one setting: its default, its unit, what is allowed (in words) and why this default.

    `within` (both ends included) bounds a number and `options` lists the words that are taken; a setting that has both
    takes either. They are checked when a record is made. Numbers and words that have neither are not bounded.
    """
    metadata = {"unit": unit, "allowed": allowed, "reason": reason, "within": within, "options": options}
    return field(default=default, metadata=metadata)


class StageSettings:
    """Choices of one stage, checked at birth."""

    def __post_init__(self) -> None:
        """Check every choice; whole numbers become float where the setting is one.

        Raises SettingsError naming the setting, its value and what is allowed.
        """
        for name, kinds, item in declared(type(self)):
            value = getattr(self, name)
            if float in kinds and int not in kinds and type(value) is int:
                value = float(value)
                object.__setattr__(self, name, value)
            if type(value) not in kinds or not _is_allowed(value, item):
                raise SettingsError(f"{name} is {value!r}; give {item.metadata['allowed']}")


def declared(stage: type[StageSettings]) -> Iterator[tuple[str, tuple[type, ...], Field[Any]]]:
    """Yield the name, the plain types and the declaration of each choice of a stage."""
    hints = get_type_hints(stage)
    for item in fields(stage):  # type: ignore[arg-type]
        hint = hints[item.name]
        yield item.name, getattr(hint, "__args__", (hint,)), item


def _is_allowed(value: Any, item: Field[Any]) -> bool:
    within, options = item.metadata["within"], item.metadata["options"]
    if isinstance(value, str):
        return value in options or not options
    if isinstance(value, float) and not isfinite(value):
        return False
    return within is None or isinstance(value, bool) or bool(within[0] <= value <= within[1])


def effort(reason: str) -> Any:
    """Declare how much work a stage takes upon itself; `--effort` sets it for all."""
    return choice("full", unit="", allowed="quick or full", reason=reason, options=("quick", "full"))


@dataclass(frozen=True)
class RankingSettings(StageSettings):
    """How frames are judged."""

    target: str = choice(
        "auto",
        unit="",
        allowed="auto, disc or surface",
        reason="a disc is surrounded by sky, a surface fills the frame",
        options=("auto", "disc", "surface"),
    )
    effort: str = effort("quick judges large frames at half the scale: the best fifth then loses 1 % of its sharpness")


@dataclass(frozen=True)
class AlignmentSettings(StageSettings):
    """How the kept frames are brought onto one geometry."""

    effort: str = effort(
        "quick follows the motion once, at half the scale and in half the detail: not enough for rough air"
    )


@dataclass(frozen=True)
class StackingSettings(StageSettings):
    """Which frames are averaged and how."""

    keep: float | str = choice(
        "auto",
        unit="percent of the usable frames",
        allowed="auto, or a number from 0.01 to 100",
        reason="all but frames less than half as sharp as those that count, weighed by gain and sharpness: on average "
        "better than any one number",
        within=(0.01, 100.0),
        options=("auto",),
    )
    outlier_sigmas: float = choice(
        6.0,
        unit="standard deviations",
        allowed="a number from 0 to 100",
        reason="a trail or a hit stands out by more, noise and seeing do not; 0 leaves nothing out",
        within=(0.0, 100.0),
    )
    patch_preference: float = choice(
        0.0,
        unit="power of a patch's own sharpness in its weight",
        allowed="a number from 0 to 4",
        reason="0 weighs whole frames: one patch of one frame is too noisy a judge",
        within=(0.0, 4.0),
    )
    zoom: float = choice(
        1.0,
        unit="pixels of the stack per camera pixel",
        allowed="a number from 1 to 3",
        reason="1 holds all detail from 2 px per lambda/D on; below, 1.5 or 2 recovers what the frames alias",
        within=(1.0, 3.0),
    )
    effort: str = effort("quick works the displacement out in every fourth pixel")


@dataclass(frozen=True)
class SharpeningSettings(StageSettings):
    """How the linear stack is sharpened."""

    planes: int = choice(
        6,
        unit="starlet planes",
        allowed="a whole number from 1 to 8",
        reason="plane 6 reaches details of some 100 px, beyond which air takes nothing",
        within=(1, 8),
    )
    strength: float = choice(
        1.0,
        unit="share of the measured blur that is undone",
        allowed="a number from 0 to 1.5",
        reason="1 undoes what was measured; less is calmer, more is harsher than the target",
        within=(0.0, 1.5),
    )


@dataclass(frozen=True)
class MeasuringSettings(StageSettings):
    """How closely the air and the optics are looked at."""

    effort: str = effort("quick reads the air from a quarter of the frames: its own error doubles")


@dataclass(frozen=True)
class ColourSettings(StageSettings):
    """How the colours of the shown picture are balanced; every linear file stays as the camera counted."""

    balance: str = choice(
        "auto",
        unit="",
        allowed="auto, neutral, given or none",
        reason="a known planet gets its own colour in white sunlight, anything else a neutral mean",
        options=("auto", "neutral", "given", "none"),
    )
    red_gain: float = choice(
        1.0,
        unit="times green",
        allowed="a number from 0.05 to 20",
        reason="used when balance is given: by hand, or the colour_gains that the run of a star like the Sun measured",
        within=(0.05, 20.0),
    )
    blue_gain: float = choice(
        1.0, unit="times green", allowed="a number from 0.05 to 20", reason="as red_gain", within=(0.05, 20.0)
    )
    saturation: float = choice(
        1.2,
        unit="distance of a colour from gray, in linear light",
        allowed="a number from 0 to 3",
        reason="gives back what the curve that lifts the dark parts takes; 1 leaves colours alone, 0 is gray",
        within=(0.0, 3.0),
    )


@dataclass(frozen=True)
class PictureSettings(StageSettings):
    """Which pictures are written beside the usual ones."""

    jpeg: bool = choice(
        False,
        unit="",
        allowed="true or false",
        reason="finished.png holds more; true adds finished.jpg, small and for sharing",
    )


@dataclass(frozen=True)
class LabelSettings(StageSettings):
    """How the labelled picture stands."""

    north_up: bool = choice(
        False,
        unit="",
        allowed="true or false",
        reason="as captured it agrees with all other files; true turns north up where north is known",
    )


@dataclass(frozen=True)
class Settings:
    """All settings of one run; a run folder's settings.toml holds exactly these."""

    ranking: RankingSettings = field(default_factory=RankingSettings)
    alignment: AlignmentSettings = field(default_factory=AlignmentSettings)
    stacking: StackingSettings = field(default_factory=StackingSettings)
    sharpening: SharpeningSettings = field(default_factory=SharpeningSettings)
    measuring: MeasuringSettings = field(default_factory=MeasuringSettings)
    colour: ColourSettings = field(default_factory=ColourSettings)
    pictures: PictureSettings = field(default_factory=PictureSettings)
    label: LabelSettings = field(default_factory=LabelSettings)
