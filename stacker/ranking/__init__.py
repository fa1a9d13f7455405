"""Choosing: every frame's quality, place and faults, from one pass over the capture."""

from stacker.ranking.first_pass import rank
from stacker.ranking.record import Ranking, Target

__all__ = ["Ranking", "Target", "rank"]
