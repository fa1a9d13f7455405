"""What is done with a run as soon as it is whole, and with a night when it ends: record and pages."""

from __future__ import annotations

from pathlib import Path

from stacker.capture import CaptureError


class Record:
    """Puts finished runs into the logbook; one that cannot be written is told once and does not stop the night."""

    def __init__(self, logbook: Path | str | None = None) -> None:
        """`logbook` as `stacker.logbook.logbook_path` takes it."""
        self._logbook = logbook
        self.trouble: str | None = None

    def keep(self, run_folder: Path) -> None:
        """Record a run; a run that is on record already is replaced."""
        from stacker.logbook import record_run

        if self.trouble is not None:
            return
        try:
            record_run(run_folder, self._logbook)
        except CaptureError as error:
            self.trouble = str(error)
