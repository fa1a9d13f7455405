"""Several captures of one target made one picture: filters to colour, exposures to one range of brightness."""

from stacker.joining.exposures import join_exposures
from stacker.joining.filter_sets import FilterSet, find_sets, join_filters
from stacker.joining.part import Part, read_part

__all__ = ["FilterSet", "Part", "find_sets", "join_exposures", "join_filters", "read_part"]
