"""The run folder of one capture: images, frame table, measurements and settings, written together."""

from stacker.run_folder.evidence import gather_evidence
from stacker.run_folder.frame_table import FrameTable
from stacker.run_folder.header import image_header
from stacker.run_folder.metrics_file import complete_metrics
from stacker.run_folder.place import OutputError, check_place
from stacker.run_folder.writing import write_run

__all__ = [
    "FrameTable",
    "OutputError",
    "check_place",
    "complete_metrics",
    "gather_evidence",
    "image_header",
    "write_run",
]
