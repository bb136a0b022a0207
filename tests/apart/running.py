"""Gives a played job to the station as anybody would: two files and a command."""

import contextlib
import io
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.apart.playing import Played


class Refused(Exception):
    """The command ended with an exit status other than 0."""


def replay(played: Played) -> dict[str, Any]:
    """What `tallypan replay --json` prints, asked within this process: a start of Python takes longer than a job.

    Raises ``Refused`` with what it printed to stderr.
    """
    from station.__main__ import main

    with tempfile.TemporaryDirectory(prefix="apart-") as folder:
        job, recording = _write(played, Path(folder))
        status: int | str | None
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                status = main(["replay", str(job), str(recording), "--json"])
            except SystemExit as done:
                status = done.code
    if status:
        raise Refused(f"exit status {status}: {err.getvalue()}")
    told: dict[str, Any] = json.loads(out.getvalue())
    return told


def replay_apart(played: Played, folder: Path) -> dict[str, Any]:
    """The same by a process of its own."""
    job, recording = _write(played, folder)
    command = [sys.executable, "-m", "station", "replay", str(job), str(recording), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise Refused(f"exit status {done.returncode}: {done.stderr}")
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def _write(played: Played, folder: Path) -> tuple[Path, Path]:
    job, recording = folder / "JOB.toml", folder / "RECORDING.csv"
    job.write_text(played.job_toml, encoding="utf-8")
    recording.write_text(played.recording_csv, encoding="utf-8")
    return job, recording
