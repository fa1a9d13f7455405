#!/usr/bin/env python3
"""Kill a night at random moments and see that the next call finishes it as if nothing had been.

    .venv/bin/python scripts/kill_night.py FOLDER [--kills 20] [--workers 2] [--seed 1]

FOLDER holds captures, such as one night of scripts/make_season.py. An undisturbed night is the measure. Then, again
and again, a night is started and killed after a random time (SIGKILL to the whole process group, as a power cut, or to
the master alone), resumed, killed, until it is done. Checked: after every kill the logbook is whole; no run that stood
whole was written again; in the end every file but metrics.json has the bytes of the undisturbed night, and no temporary
folder or lock is left. Prints a line a kill and the verdict; exit status 1 where something differs.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path


def start(folder: Path, out: Path, workers: int) -> subprocess.Popen[bytes]:
    """Start a night in a process group of its own, with a logbook of its own."""
    command = [sys.executable, "-m", "stacker.cli", "night", str(folder), "--out", str(out), "--workers", str(workers)]
    environment = os.environ | {"STILLAIR_LOGBOOK": str(logbook_of(out))}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    return subprocess.Popen(command, env=environment, start_new_session=True, **quiet)


def logbook_of(out: Path) -> Path:
    """Return the logbook of a night."""
    return out.with_name(f"{out.name}.sqlite")


def digests(out: Path) -> dict[str, str]:
    """Return the digest of every file of every run but the metrics, which tell of time and memory."""
    files = (path for path in out.rglob("*") if path.is_file() and path.name != "metrics.json")
    return {path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def stamps(out: Path) -> dict[Path, int]:
    """Return when each run that stands there was written."""
    return {path: path.stat().st_mtime_ns for path in out.rglob("metrics.json") if path.parent.name[0] != "."}


def leftovers(out: Path) -> list[Path]:
    """Return temporary folders and locks."""
    return [path for path in out.rglob("*") if path.name.startswith(".")]


def logbook_whole(out: Path) -> bool:
    """Return whether SQLite finds the logbook whole."""
    if not logbook_of(out).exists():
        return True
    connection = sqlite3.connect(logbook_of(out))
    try:
        return bool(connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok")
    finally:
        connection.close()


def kill(child: subprocess.Popen[bytes], all_of_it: bool) -> None:
    """Kill a night: its whole process group, or the master alone, whose workers must stop by themselves."""
    if all_of_it:
        os.killpg(child.pid, signal.SIGKILL)
    else:
        child.kill()
    child.wait()


def main() -> int:
    """Run the trial; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    home = Path(tempfile.mkdtemp(prefix="stillair-kill-"))
    try:
        return trial(options, home)
    finally:
        shutil.rmtree(home)


def trial(options: argparse.Namespace, home: Path) -> int:
    """Kill and resume as often as asked."""
    rng = random.Random(options.seed)
    began = time.perf_counter()
    start(options.folder, home / "whole", options.workers).wait()
    whole_s = time.perf_counter() - began
    wanted = digests(home / "whole")
    print(f"undisturbed: {len(stamps(home / 'whole'))} runs, {len(wanted)} files, {whole_s:.1f} s", flush=True)
    kills, nights, faults = 0, 0, 0
    while kills < options.kills:
        nights += 1
        out = home / f"night{nights}"
        while True:
            before = stamps(out)
            child = start(options.folder, out, options.workers)
            wait_s = rng.uniform(0.2, 0.6 * whole_s) if kills < options.kills else None
            try:
                child.wait(wait_s)
            except subprocess.TimeoutExpired:
                kills += 1
                kill(child, all_of_it=kills % 2 == 0)
                words = [f"kill {kills:2d} after {wait_s:5.2f} s", f"{len(stamps(out))} runs whole"]
                words.append(f"{len(leftovers(out))} leftovers")
                faults += _say(words, {"logbook": logbook_whole(out), "nothing redone": _kept(before, out)})
                continue
            same, clean = digests(out) == wanted, not leftovers(out)
            checks = {"bytes": same, "no leftovers": clean, "logbook": logbook_whole(out)}
            faults += _say([f"night {nights} done"], checks | {"nothing redone": _kept(before, out)})
            break
    print(f"{kills} kills in {nights} nights: {'all as it should be' if not faults else f'{faults} FAULTS'}")
    return int(bool(faults))


def _kept(before: dict[Path, int], out: Path) -> bool:
    now = stamps(out)
    return all(now.get(path) == stamp for path, stamp in before.items())


def _say(words: list[str], checks: dict[str, bool]) -> int:
    told = [f"{name} {'ok' if good else 'WRONG'}" for name, good in checks.items()]
    print(", ".join([*words, *told]), flush=True)
    return sum(not good for good in checks.values())


if __name__ == "__main__":
    sys.exit(main())
