"""What a fit advises: nothing that cannot be undone while the ± is larger than what decides."""

import pytest

from measure.fitjudge import judge_fit
from measure.fittext import fit_text
from measure.mating import FitPreset
from measure.sizes import GivenSize, typed_size
from measure.units import METRIC

PUSH = FitPreset("push", "goes in by hand", 0.0, 0.15)


def said(part, hole, preset=PUSH):
    return fit_text(judge_fit(typed_size(part), typed_size(hole), [preset]), METRIC).split("\n")[-1]


def test_too_loose_by_less_than_is_known_asks_for_calipers():
    """0.20 ±0.14 where 0.15 is the most wanted: one chance in four that it is as wanted."""
    line = said("24.9±0.1", "25.1±0.1")
    assert "24 %" in line
    assert "maybe too loose by 0.05: measure both with calipers" in line
    assert "new part" not in line


def test_too_loose_for_certain_says_so():
    assert "too loose by 0.05; turn a new part or bush the hole" in said("24.9±0.02", "25.1±0.02")


@pytest.mark.parametrize(
    ("bore", "u95", "words"),
    [
        ("24.85", 0.1, "maybe 0.15 too narrow: measure it with calipers before you bore"),
        ("24.85", 0.02, "bore it 0.15 wider"),
        ("25.15", 0.1, "maybe too wide by 0.05: measure it with calipers"),
        ("25.15", 0.02, "too wide by 0.05; bush it"),
    ],
)
def test_bore_of_a_mechanism_likewise(bore, u95, words):
    needed = typed_size("25±0.0001")
    wants = FitPreset("mill", "what the bore allows", -0.1, 0.1)
    report = judge_fit(GivenSize(needed.size, (), wants), typed_size(f"{bore}±{u95}"), [])
    assert fit_text(report, METRIC).split("\n")[-1].endswith(words)
