"""Numbers of things in words."""


def counted(number: int, noun: str) -> str:
    """Return `1 frame`, `2 frames`: a number and its noun, which takes an s for more than one."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
