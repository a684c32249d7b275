"""How fast a trace is and how much memory it takes: `python -m tests.benchmarks.speed PHOTO ...`.

Needs the truth file beside each photo, for what the turner would type, and a system with the
`resource` module (Linux, macOS). Times are those of the machine as it is: the load that it
carries is printed with them.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from calib.folders import CONFIG_VARIABLE
from calib.photo import read_photo
from calib.refusal import RefusalError
from measure.trace import trace
from tests.benchmarks.groundtruth import Truth, read_truth
from tests.benchmarks.tracedphoto import Stopwatch, Took, decoding, median_of

__all__ = ["CommandCost", "InProcess", "command_cost", "in_process", "main", "speed_text"]

RATIO_MOST = 10.0
COMMAND_SECONDS_MOST = 1.5
MEMORY_MB_MOST = 600.0
HELP_SECONDS_MOST = 0.3
REPEATS = 3
HELP_REPEATS = 5
HELPS = (("measure",), ("measure", "trace"), ("calib",))

# Runs a command and prints wall seconds, processor seconds, peak memory and exit status. In a
# process of its own: what a process forks off counts its parent's memory as its own.
_WATCH = """
import resource, subprocess, sys, time
begun = time.perf_counter()
run = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
wall = time.perf_counter() - begun
use = resource.getrusage(resource.RUSAGE_CHILDREN)
print(wall, use.ru_utime + use.ru_stime, use.ru_maxrss, run.returncode)
"""


@dataclass(frozen=True, slots=True)
class InProcess:
    """Median times of a trace, reading included, and of the bare decoding in the same run."""

    traced: Took
    decoded: Took

    @property
    def ratio(self) -> float:
        return self.traced.wall_seconds / self.decoded.wall_seconds

    @property
    def processor_ratio(self) -> float:
        return self.traced.processor_seconds / self.decoded.processor_seconds


@dataclass(frozen=True, slots=True)
class CommandCost:
    """What one run of a command takes, as the system counts it."""

    wall_seconds: float
    processor_seconds: float
    peak_mb: float
    status: int


def in_process(photo: Path) -> InProcess:
    """Time tracing and decoding in turns, after a first time that does not count."""
    truth = read_truth(photo)
    _traced(photo, truth)
    traces, decodes = [], []
    for _ in range(REPEATS):
        decodes.append(decoding(photo, 3))
        watch = Stopwatch()
        _traced(photo, truth)
        traces.append(watch.took())
    return InProcess(median_of(traces), median_of(decodes))


def command_cost(words: Sequence[str]) -> CommandCost:
    """Run an installed command in a fresh process, with settings as on a fresh machine."""
    program = Path(sys.executable).with_name(words[0])
    with tempfile.TemporaryDirectory() as home:
        said = subprocess.run(
            [sys.executable, "-c", _WATCH, str(program), *words[1:]],
            check=True,
            capture_output=True,
            text=True,
            env={**os.environ, CONFIG_VARIABLE: home},
        ).stdout
    wall, processor, peak, status = said.split()
    unit = 1e6 if sys.platform == "darwin" else 1e6 / 1024.0
    return CommandCost(float(wall), float(processor), float(peak) / unit, int(status))


def speed_text(photos: Sequence[Path]) -> str:
    """Return the table of times and memory of some photos that need no saved lens or print."""
    load = f"{os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    lines = [f"Speed (medians of {REPEATS}; the machine's load: {load})"]
    for photo in photos:
        lines += _photo_lines(photo)
    for words in HELPS:
        runs = [command_cost([*words, "--help"]) for _ in range(HELP_REPEATS)]
        wall = median(run.wall_seconds for run in runs)
        processor = median(run.processor_seconds for run in runs)
        lines.append(
            f"  {' '.join(words)} --help: {wall:.2f} s, processor {processor:.2f} s "
            f"{_verdict(wall, HELP_SECONDS_MOST, ' s')}"
        )
    return "\n".join(lines)


def _photo_lines(photo: Path) -> list[str]:
    truth = read_truth(photo)
    if truth.lens() is not None or truth.print_scale() is not None:
        raise ValueError(f"{photo.name} needs a saved lens or print; take one that needs neither")
    width, height = truth.data["image_size"]
    both = in_process(photo)
    with tempfile.TemporaryDirectory() as out:
        runs = [command_cost(_words(photo, truth, Path(out) / "out")) for _ in range(REPEATS)]
    wall = median(run.wall_seconds for run in runs)
    processor = median(run.processor_seconds for run in runs)
    peak = max(run.peak_mb for run in runs)
    statuses = sorted({run.status for run in runs})
    return [
        f"  {photo.name}, {width} x {height}, exit status {', '.join(map(str, statuses))}",
        f"    trace in process {both.traced.wall_seconds:.2f} s = {both.ratio:.1f} x decoding "
        f"({1000 * both.decoded.wall_seconds:.0f} ms), by processor time "
        f"{both.processor_ratio:.1f} x {_verdict(both.ratio, RATIO_MOST, ' x')}",
        f"    whole command without report {wall:.2f} s, processor {processor:.2f} s "
        f"{_verdict(wall, COMMAND_SECONDS_MOST, ' s')}",
        f"    peak memory {peak:.0f} MB {_verdict(peak, MEMORY_MB_MOST, ' MB')}",
    ]


def _words(photo: Path, truth: Truth, out: Path) -> list[str]:
    """Return the command line that a turner types for a photo."""
    request = truth.request()
    words = ["measure", "trace", str(photo), "--setup", request.setup, "--target", request.target]
    if request.start is not None:
        words += ["--from", request.start]
    if request.box_px is not None:
        words += ["--box", ",".join(f"{number:g}" for number in request.box_px)]
    for z, diameter in request.known:
        words += ["--known", f"{z}:{diameter}"]
    return [*words, "--out", str(out), "--no-report"]


def _traced(photo: Path, truth: Truth) -> None:
    # A refusal takes its time too; the exit status of the command tells that it was one.
    with contextlib.suppress(RefusalError):
        trace(read_photo(photo), truth.request(), _silent)


def _silent(_: str) -> None:
    pass


def _verdict(value: float, most: float, unit: str) -> str:
    return f"[{'hit' if value <= most else 'MISS'}, target {most:g}{unit}]"


def main() -> None:
    """Read the options and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("photos", nargs="+", type=Path, metavar="PHOTO")
    print(speed_text(parser.parse_args().photos))


if __name__ == "__main__":
    main()
