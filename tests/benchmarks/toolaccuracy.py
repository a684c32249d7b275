"""How well `measure cutter` does on rendered tools with known truth.

`python -m tests.benchmarks.toolaccuracy --photos DIR --render` renders what is missing in the
folder (six ground tools, four rusty ones, three off centre), measures every NAME.jpg that has its
NAME.truth.json beside it and prints one row a step and a summary. Tools off
centre come as NAME-0.jpg and NAME-90.jpg and are measured together. A tool that is refused, a
step that is not found and one that is invented count as missed; none is left out.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from calib.photo import read_photo
from calib.refusal import RefusalError
from measure.cutter import measure_tool
from measure.progress import quiet
from measure.result import TraceRequest
from measure.stock import StockSize, stock_matches
from measure.tool import Tool, ToolStep
from measure.tooltraces import trace_tool
from sample_images.rendering.photo import take, taken
from tests.benchmarks.toolscenes import KINDS, tool_scenes

__all__ = ["main"]

TARGET_U95_MM = 0.15
RENDERED = (6, 4, 3)
"""Tools of each kind."""
MILLIMETRES = [StockSize(float(d), f"{d} mm", ("test",)) for d in range(3, 80)]
SIXTEENTHS = [StockSize(n * 25.4 / 16.0, f"{n}/16 in", ("test",)) for n in range(2, 50)]


@dataclass
class Tally:
    """Errors of all steps, mm."""

    diameter: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    position: list[float] = field(default_factory=list)
    position_inside: list[bool] = field(default_factory=list)
    swept: list[float] = field(default_factory=list)
    swept_inside: list[bool] = field(default_factory=list)
    over_stated: int = 0
    missed: int = 0
    invented: int = 0
    refused: int = 0
    false_single: int = 0
    single_due: int = 0
    single_right: int = 0


def main() -> None:
    """Measure, print, sum up."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, required=True, metavar="DIR")
    parser.add_argument("--only", default="", help="names that begin so")
    parser.add_argument("--render", action="store_true")
    parser.add_argument("--seed", type=int, default=1, help="of what is rendered")
    options = parser.parse_args()
    if options.render:
        _render(options.photos, options.seed)
    tally = Tally()
    for paths, turns in _sets(options.photos, options.only):
        _measure(paths, turns, tally)
    _print(tally)


def _render(folder: Path, seed: int) -> None:
    for kind, count in zip(KINDS, RENDERED, strict=True):
        for scene in tool_scenes(kind, count, seed):
            if not taken(scene, folder):
                take(scene, folder)


def _sets(folder: Path, only: str) -> list[tuple[list[Path], list[float]]]:
    """Return the photos to be measured together, and how far the tool was turned for each."""
    photos = [p for p in sorted(folder.glob(f"{only}*.jpg")) if _truth_file(p).is_file()]
    sets: list[tuple[list[Path], list[float]]] = []
    for photo in photos:
        if photo.stem.endswith("-90"):
            continue
        partner = photo.with_name(photo.stem.removesuffix("-0") + "-90.jpg")
        sets.append(([photo], [0.0]))
        if photo.stem.endswith("-0") and partner in photos:
            sets.append(([photo, partner], [0.0, math.pi / 2.0]))
    return sets


def _truth_file(photo: Path) -> Path:
    return photo.with_name(photo.stem + ".truth.json")


def _measure(paths: list[Path], turns: list[float], tally: Tally) -> None:
    truth = json.loads(_truth_file(paths[0]).read_text())
    print(f"{' + '.join(p.stem for p in paths)} on {truth['support']}", flush=True)
    try:
        photos = [read_photo(path) for path in paths]
        traces = trace_tool(photos, TraceRequest(), turns, quiet)
        tool = measure_tool([trace.view for trace in traces.traces], turns)
    except RefusalError as refusal:
        print(f"  refused: {refusal.notice.message}")
        tally.refused += 1
        tally.missed += len(truth["drawn"]["steps"])
        return
    # The photo may show the tool either way round; truth counts from the shank.
    d = traces.first.axis_px[1] - traces.first.axis_px[0]
    true_d = np.subtract(*truth["axis_px"][::-1])
    _compare(tool, truth["drawn"], bool(d @ true_d < 0.0), tally)


def _compare(tool: Tool, drawn: dict[str, Any], backward: bool, tally: Tally) -> None:
    length = drawn["steps"][-1][1]
    true = [(a, b, d) for a, b, d in drawn["steps"]]
    if backward:
        true = [(length - b, length - a, d) for a, b, d in true[::-1]]
    offset = float(np.hypot(*drawn["offset_mm"]))
    steps = list(tool.steps)
    used: set[int] = set()
    for low, high, diameter in true:
        middle = 0.5 * (low + high)
        here = [k for k, s in enumerate(steps) if s.step.from_mm <= middle <= s.step.to_mm]
        if not here or abs(steps[here[0]].step.diameter_mm - diameter) > 2.0:
            got = f"{steps[here[0]].step.diameter_mm:.2f}" if here else "nothing"
            print(f"  {low:6.1f} {high:6.1f}  true {diameter:6.2f}  missed: {got}")
            tally.missed += 1
            continue
        used.add(here[0])
        head = diameter != (true[-1] if backward else true[0])[2]
        swept = diameter + 2.0 * offset if head else diameter
        _count(steps[here[0]], (low, high, diameter, swept), tally)
    tally.invented += len(steps) - len(used)
    for k in set(range(len(steps))) - used:
        print(f"  invented: {steps[k].step.from_mm:.1f} {steps[k].step.diameter_mm:.2f}")


def _count(item: ToolStep, true: tuple[float, float, float, float], tally: Tally) -> None:
    low, high, diameter, swept = true
    step = item.step
    error = step.diameter_mm - diameter
    shifts = (step.from_mm - low, step.to_mm - high)
    tally.diameter.append(error)
    tally.inside.append(abs(error) <= step.u95_mm)
    for shift, u95, place in (
        (shifts[0], step.from_u95_mm, step.from_mm),
        (shifts[1], step.to_u95_mm, step.to_mm),
    ):
        # The end that z counts from is at 0, whatever it is off: that shows in all the others.
        if place != 0.0:
            tally.position.append(shift)
            tally.position_inside.append(abs(shift) <= u95)
    line = (
        f"  {low:6.1f} {high:6.1f}  true {diameter:6.2f}  error {error:+.3f} "
        f"(u95 {step.u95_mm:.3f}, common {step.u95_common_mm:.3f})  "
        f"ends {shifts[0]:+.2f} {shifts[1]:+.2f} (u95 {step.from_u95_mm:.2f} {step.to_u95_mm:.2f})"
    )
    if item.swept is not None:
        more = item.swept.diameter_mm - swept
        line += f"  swept {more:+.3f} (u95 {item.swept.u95_mm:.3f})"
        line += " or more" if item.swept.is_lower_bound else ""
        if item.swept.is_lower_bound:
            tally.over_stated += more > item.swept.u95_mm
        elif item.role.value != "shank":
            tally.swept.append(more)
            tally.swept_inside.append(abs(more) <= item.swept.u95_mm)
    print(line)
    for catalogue in (MILLIMETRES, SIXTEENTHS):
        _name(step.diameter_mm, step.u95_mm, diameter, catalogue, tally)


def _name(found: float, u95: float, true: float, catalogue: list[StockSize], tally: Tally) -> None:
    """Count as if the tool were of the nearest size of a catalogue, its error kept."""
    size = min(catalogue, key=lambda s: abs(s.diameter_mm - true))
    moved = found + size.diameter_mm - true
    names = stock_matches(moved, u95, catalogue)
    reached = [s for s in catalogue if abs(s.diameter_mm - moved) <= u95]
    tally.false_single += len(names) == 1 and len(reached) > 1
    rival = min(abs(s.diameter_mm - size.diameter_mm) for s in catalogue if s is not size)
    if rival > 2.0 * TARGET_U95_MM:
        tally.single_due += 1
        tally.single_right += len(names) == 1 and names[0].size is size


def _print(tally: Tally) -> None:
    steps = len(tally.diameter)
    print(f"steps found {steps}, missed {tally.missed}, invented {tally.invented}, ", end="")
    print(f"tools refused {tally.refused}")
    if not steps:
        return
    for name, values, target in (
        ("diameter", tally.diameter, 0.15),
        ("position", tally.position, 0.2),
        ("swept, two photos", tally.swept, 0.15),
    ):
        if values:
            size = np.abs(values)
            print(
                f"{name}: median {np.median(size):.3f}, 95 % {np.quantile(size, 0.95):.3f} "
                f"(target {target}), largest {size.max():.3f} mm"
            )
    print(f"U95 holds for {np.mean(tally.inside):.0%} of diameters, ", end="")
    print(f"{np.mean(tally.position_inside):.0%} of positions", end="")
    if tally.swept_inside:
        print(f", {np.mean(tally.swept_inside):.0%} of swept diameters", end="")
    print(f"; lower bounds above the truth: {tally.over_stated}")
    print(
        f"stock: a single size named though two fit {tally.false_single} times; where one is due "
        f"it is named alone and right {tally.single_right} of {tally.single_due}"
    )


if __name__ == "__main__":
    main()
