"""The drill to bore first, speeds, mechanisms and a cutter held against them."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from scipy.stats import norm

from calib.refusal import BadFileError
from measure.boring import Edge, first_drill, highest_rpm, normal_below
from measure.mechanism import Bore, Mechanism, mechanism_from, read_mechanism
from measure.plunge import Verdict, check_plunges
from measure.toolplan import BoringPlan
from measure.toolwords import mechanism_words
from measure.units import METRIC

BORE = {
    "name": "seat",
    "part": "body",
    "from": "foot",
    "diameter_mm": 42.0,
    "tolerance_mm": 0.3,
    "depth_mm": 8.0,
}
CUTTER = [
    Edge("pilot", 24.9, 0.1, 0.0, 45.0, guides=True),
    Edge("step 3", 37.8, 0.12, 45.0, 20.0),
    Edge("step 2", 41.9, 0.12, 65.0, 8.0),
]


def test_pilot_runs_in_a_hole_of_its_own_size():
    """A 25 mm pilot runs quietly in a 25 mm hole (common practice, no source)."""
    drill = first_drill(24.85, 0.1)
    assert drill is not None
    assert drill.size.name == "25 mm"


def test_pilot_rattles_in_a_hole_far_too_wide():
    """A 25 mm pilot in a 30 mm hole chatters badly (common practice, no source)."""
    thirty = [size for size in _catalogue() if size.name == "30 mm"]
    assert first_drill(24.85, 0.1, thirty) is None


def _catalogue():
    from measure.stock import stock_sizes

    return stock_sizes()


def test_chances_of_play_add_up_and_follow_scipy():
    drill = first_drill(24.85, 0.2)
    assert drill is not None
    law = norm(drill.play_mm, drill.play_u95_mm / 1.96)
    assert drill.chance_binds == pytest.approx(law.cdf(0.0))
    assert drill.chance_rattles == pytest.approx(law.sf(0.4))
    total = drill.chance_runs + drill.chance_binds + drill.chance_rattles
    assert total == pytest.approx(1.0)
    assert normal_below(1.0, 0.3, 0.5) == pytest.approx(norm(0.3, 0.5 / 1.96).cdf(1.0))


def test_wider_bores_turn_slower():
    speeds = [highest_rpm(d) for d in (10.0, 20.0, 25.0, 42.0, 80.0, 500.0)]
    assert speeds == sorted(speeds, reverse=True)
    assert highest_rpm(25.0) == 800
    assert speeds[0] <= 1500


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan")])
def test_misuse(bad):
    with pytest.raises(ValueError, match="need"):
        highest_rpm(bad)
    with pytest.raises(ValueError, match="need"):
        first_drill(bad, 0.1)


def body(*bores):
    return Mechanism("Quay", tuple(bores))


def test_steps_make_the_bores_they_fit():
    """The plunge of two steps: 8 deep at 42, 28 deep at 38; the tip is then 73 deep."""
    wanted = body(
        Bore("seat", 42.0, 8.0, "foot", "body", 0.3),
        Bore("grinder", 38.0, 28.0, "foot", "body", 0.4),
        Bore("chamber", 25.0, None, "foot", "body", 0.5),
    )
    (plunge,) = check_plunges(wanted, CUTTER, Edge("25 mm drill", 25.0, 0.1, 0.0, 1e3))
    assert plunge.tip_mm == pytest.approx(73.0)
    assert [check.verdict for check in plunge.bores] == [Verdict.MADE] * 3
    assert plunge.bores[1].depth_mm == pytest.approx(28.0)
    assert plunge.bores[2].edge is not None
    assert plunge.bores[2].edge.name == "25 mm drill"
    assert plunge.unwanted == ()


def test_bores_that_disagree_stop_at_the_shallower():
    wanted = body(
        Bore("seat", 42.0, 8.0, "foot", "body", 0.3, 0.5),
        Bore("grinder", 38.0, 35.0, "foot", "body", 0.4, 1.0),
    )
    (plunge,) = check_plunges(wanted, CUTTER)
    seat, grinder = plunge.bores
    assert seat.deep_mm == pytest.approx(0.0)
    assert grinder.deep_mm == pytest.approx(-7.0)
    assert (seat.depth_ok, grinder.depth_ok) == (True, False)


def test_whether_a_depth_is_right_can_be_written_to_a_result():
    # Places along a tool come out of arrays, and JSON knows no truth value of an array.
    steps = [dataclasses.replace(edge, front_mm=np.float64(edge.front_mm)) for edge in CUTTER]
    (plunge,) = check_plunges(body(Bore("seat", 42.0, 8.0, "foot", "body", 0.3)), steps)
    assert json.dumps(plunge.bores[0].depth_ok) == "true"


def test_a_depth_known_worse_than_its_tolerance_is_not_called_made():
    rough = [dataclasses.replace(edge, front_u95_mm=1.3) for edge in CUTTER]
    (plunge,) = check_plunges(body(Bore("seat", 42.0, 8.0, "foot", "body", 0.3, 0.5)), rough)
    (words, *_) = mechanism_words(plan_of(plunge), METRIC)[0][1]
    assert words.endswith("step 2, its depth known only to ±1.3 mm: measure on the tool.")


BORER = [Edge("step 2", 27.0, 0.1, 0.0, 60.0), Edge("step 1", 42.0, 0.1, 60.0, 20.0)]
THROUGH = Bore("chamber", 27.0, None, "foot", "body", 0.5)


def test_a_through_bore_is_only_as_deep_as_the_other_bores_let_the_tip_go():
    (plunge,) = check_plunges(body(Bore("seat", 42.0, 8.0, "foot", "body", 0.3), THROUGH), BORER)
    chamber = plunge.bores[1]
    assert plunge.tip_mm == pytest.approx(68.0)
    assert chamber.verdict is Verdict.MADE
    assert (chamber.depth_mm, chamber.deep_mm, chamber.depth_ok) == (68.0, None, None)
    words = mechanism_words(plan_of(plunge), METRIC)[0][1]
    assert "made by step 2, 68 mm deep; bore on through with a drill." in words[1]


def test_the_step_that_follows_into_a_through_bore_is_named():
    (plunge,) = check_plunges(body(THROUGH), BORER)
    assert plunge.tip_mm is None
    assert plunge.follows is BORER[1]
    words = mechanism_words(plan_of(plunge), METRIC)[0][1]
    assert words[1] == "Stop before the tip is 60 mm deep: there step 1 begins to cut, 42.0 wide."
    assert check_plunges(body(THROUGH), BORER[:1])[0].follows is None


def plan_of(*plunges):
    return BoringPlan((), None, None, None, None, None, plunges)


def test_a_step_that_would_widen_the_mouth_is_named():
    wanted = body(Bore("grinder", 38.0, 35.0, "foot", "body", 0.4))
    (plunge,) = check_plunges(wanted, CUTTER)
    assert [cut.edge.name for cut in plunge.unwanted] == ["pilot", "step 2"]
    assert plunge.unwanted[1].depth_mm == pytest.approx(15.0)


def test_the_hole_that_the_pilot_runs_in_is_a_bore_too():
    """A pilot of 25 mm goes 60 mm deep, where 20 mm is wanted below the grinder's 38."""
    wanted = body(
        Bore("grinder", 38.0, 35.0, "foot", "body", 0.4),
        Bore("chamber", 20.0, None, "foot", "body", 0.4),
    )
    (plunge,) = check_plunges(wanted, CUTTER)
    cut = plunge.unwanted[0]
    assert (cut.edge.name, cut.edge.guides) == ("pilot", True)
    words = mechanism_words(plan_of(plunge), METRIC)[0][1]
    assert any("hole that the pilot runs in is 24.9 mm wide or more" in line for line in words)


@pytest.mark.parametrize(
    ("diameter", "verdict"),
    [
        (37.8, Verdict.MADE),
        (38.35, Verdict.UNSURE),
        (36.5, Verdict.TOO_WIDE),
        (39.5, Verdict.TOO_NARROW),
        (30.0, Verdict.OTHER_TOOL),
    ],
)
def test_verdicts_on_one_step(diameter, verdict):
    wanted = body(Bore("grinder", diameter, 20.0, "foot", "body", 0.5))
    (plunge,) = check_plunges(wanted, CUTTER[:2])
    assert plunge.bores[0].verdict is verdict


def test_the_guiding_pilot_makes_no_bore():
    wanted = body(Bore("chamber", 24.9, 40.0, "foot", "body", 0.5))
    (plunge,) = check_plunges(wanted, CUTTER)
    assert plunge.bores[0].verdict is Verdict.OTHER_TOOL


def test_parts_and_ends_are_held_apart():
    wanted = Mechanism(
        "Quay",
        (
            Bore("seat", 42.0, 8.0, "foot", "body", 0.3),
            Bore("recess", 42.0, 8.0, "foot", "cap", 0.3),
            Bore("bracket", 42.0, 6.0, "top", "body", 0.3),
        ),
    )
    plunges = check_plunges(wanted, CUTTER)
    assert [(p.part, p.from_end) for p in plunges] == [
        ("body", "foot"),
        ("cap", "foot"),
        ("body", "top"),
    ]


def table(**changes):
    bore = {**BORE, **changes.pop("bore", {})}
    return {"name": "Quay", "bore": [bore], **changes}


def test_a_mechanism_file_is_read(tmp_path):
    file = tmp_path / "quay.toml"
    file.write_text(
        'name = "Quay"\n[shaft]\nlength_mm = 200\nfixed_by = "nut"\nfoot_mm = 4\nproud_mm = 10\n'
        '[[bore]]\nname = "seat"\npart = "body"\nfrom = "foot"\ndiameter_mm = 42\n'
        "tolerance_mm = 0.3\nthrough = true\n"
    )
    quay = read_mechanism(file)
    assert quay.bores[0].through
    assert quay.bores_of("cap") == ()
    assert quay.shaft_cut_mm(180.0) == pytest.approx(186.0)


def test_shipped_examples_are_readable():
    from importlib.resources import files

    names = [p.name for p in files("measure").joinpath("examples").iterdir()]
    mechanisms = [name for name in names if name.startswith("quay-")]
    assert len(mechanisms) == 2
    for name in mechanisms:
        quay = read_mechanism(files("measure").joinpath("examples", name))
        assert len(quay.bores) >= 3


@pytest.mark.parametrize(
    ("bad", "what"),
    [
        ({"extra": 1}, "unknown key"),
        ({"bore": {"colour": "red"}}, "unknown key"),
        ({"bore": {"depth_mm": float("inf")}}, "not between"),
        ({"bore": {"diameter_mm": -42.0}}, "not between"),
        ({"bore": {"diameter_mm": "42"}}, "not a number"),
        ({"bore": {"tolerance_mm": True}}, "not a number"),
        ({"bore": {"part": "lid"}}, "body or cap"),
        ({"bore": {"from": "left"}}, "foot or top"),
        ({"bore": {"through": True}}, "either"),
        ({"bore": {"name": ""}}, "no name"),
        ({"shaft": {"fixed_by": "nut"}}, "length_mm"),
        ({"shaft": {"length_mm": 5.0}}, "fixed_by"),
        ({"shaft": 3}, "table"),
        ({"name": 3}, "name"),
    ],
)
def test_bad_mechanisms_say_what_is_wrong(bad, what):
    with pytest.raises(BadFileError, match=what) as refusal:
        mechanism_from(table(**bad), "quay.toml")
    assert refusal.value.notice.code == "mechanism-file"


def test_missing_depth_is_named():
    bore = {key: value for key, value in BORE.items() if key != "depth_mm"}
    with pytest.raises(BadFileError, match="depth_mm or through"):
        mechanism_from({"name": "Quay", "bore": [bore]}, "quay.toml")


@pytest.mark.parametrize("rows", [None, [], {}, [3], "x"])
def test_no_bores(rows):
    with pytest.raises(BadFileError, match="names no"):
        mechanism_from({"name": "Quay", "bore": rows}, "quay.toml")


def test_two_bores_of_one_name():
    with pytest.raises(BadFileError, match="both called"):
        mechanism_from({"name": "Quay", "bore": [BORE, BORE]}, "quay.toml")


@pytest.mark.parametrize("content", [b"\xff\xfe", b"a = [", b"[[[["])
def test_no_toml(tmp_path, content):
    file = tmp_path / "quay.toml"
    file.write_bytes(content)
    with pytest.raises(BadFileError):
        read_mechanism(file)
