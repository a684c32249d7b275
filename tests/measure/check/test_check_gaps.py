"""Piece and plan that were not seen all along: what has no uncertainty has no verdict."""

import dataclasses
import io
import json
import re

import numpy as np
import pypdf
import pytest
from checkpieces import Noise, bump, flipped, measured_copy, mill_diameter, rows_with_shoulders

from calib.refusal import RefusalError
from measure.check import CheckRequest, check
from measure.checkpdf import check_pdf
from measure.checkreport import check_report
from measure.checkwords import check_text, check_words
from measure.deviationsfile import check_data, deviations_csv
from measure.planfile import plan_of_piece
from measure.planmaking import plan_of_profile
from measure.profile import Profile
from measure.resultfile import result_json
from measure.units import INCHES, METRIC

PLAN_GAPS = ((0.0, 3.0), (20.0, 45.0), (45.3, 60.0), (88.0, 91.0), (120.0, 130.0), (171.0, 172.0))
PIECE_GAPS = ((0.0, 1.0), (12.5, 18.0), (57.0, 66.0), (96.0, 99.0), (140.0, 152.0))


def gapped(seed, gaps, error=None):
    rng = np.random.default_rng(seed)
    shape = mill_diameter if error is None else lambda z: mill_diameter(z) + error(z)
    piece = measured_copy(*rows_with_shoulders(shape), Noise(), rng)
    p = piece.profile
    keep = np.ones(len(p.z_mm), dtype=bool)
    for low, high in gaps:
        keep &= ~((p.z_mm >= low) & (p.z_mm < high))
    rows = Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep])
    return dataclasses.replace(piece, profile=rows)


@pytest.mark.parametrize("datum", ["start", "end", "best"])
@pytest.mark.parametrize("gaps", [(PIECE_GAPS, PLAN_GAPS), (PLAN_GAPS, PIECE_GAPS)])
def test_gaps_in_both_leave_every_number_finite_and_every_file_written(datum, gaps):
    piece = gapped(1, gaps[0], lambda z: bump(z, 75.0, 6.0, 0.9))
    plan = plan_of_piece(gapped(2, gaps[1]))
    result = check(piece, plan, CheckRequest(datum=datum))
    rows = result.rows
    for name in ("deviation_mm", "u95_mm", "u95_common_mm", "slope", "plan_diameter_mm"):
        assert not np.any(np.isnan(getattr(rows, name))), name
    data = check_data(result)
    assert json.loads(result_json(data))["verdict"] == "outside"
    assert b"nan" not in deviations_csv(rows)
    assert check_pdf(result).startswith(b"%PDF")
    assert "nan" not in check_report(result, None, 5.0, METRIC, ()).split("</style>")[-1].lower()
    bad = [p for p in result.places if p.verdict == "outside" and abs(p.z_mm - 75.0) < 4.0]
    assert len(bad) == 1
    assert bad[0].deviation_mm == pytest.approx(0.9, abs=bad[0].u95_mm)


def test_no_row_stands_in_a_gap_or_on_a_lone_row_of_the_plan():
    """The lone row at 45.0 to 45.3 has no neighbour to make a curve with."""
    plan = plan_of_profile(gapped(2, ((20.0, 45.0), (45.1, 60.0))).profile, "twin")
    assert np.sum((plan.z_mm > 44.0) & (plan.z_mm < 46.0)) == 1
    result = check(gapped(1, ()), plan, CheckRequest(datum="start"))
    assert not np.any((result.rows.z_mm > 20.0) & (result.rows.z_mm < 59.5))
    assert [(u.z_from_mm, u.z_to_mm) for u in result.unjudged if u.reason == "the plan has a gap"]


def test_what_was_not_judged_is_told_in_a_line_for_each_reason():
    """A turner can use the longest few, the report names all."""
    result = check(gapped(1, PIECE_GAPS), plan_of_piece(gapped(2, PLAN_GAPS)), CheckRequest())
    reasons = {u.reason for u in result.unjudged}
    assert len(result.unjudged) > 2 * len(reasons)
    brief = check_words(result, METRIC).unjudged
    assert len(brief) == len(reasons)
    gaps = next(line for line in brief if line.startswith("the plan has a gap"))
    assert gaps.startswith("the plan has a gap, at 19.7 to 45.2, 45.2 to 66, 119.8 to 130.3 mm")
    assert "shorter" in gaps
    whole = " ".join(check_words(result, METRIC, brief=False).unjudged)
    assert whole.count(" to ") == len(result.unjudged)


def test_a_slope_beside_a_gap_is_that_of_the_rows_on_its_own_side():
    z = np.concatenate([np.arange(0.0, 20.1, 0.25), np.arange(30.0, 50.1, 0.25)])
    d = np.where(z < 25.0, 40.0 + 0.2 * z, 60.0 - 0.4 * (z - 30.0))
    u = np.full_like(z, 0.1)
    _, _, slope = plan_of_profile(Profile(z, d, u, 0.0 * u), "taper").segments()
    half = len(slope) // 2
    assert np.allclose(slope[:half], 0.1)
    assert np.allclose(slope[half:], 0.2)


def test_a_plan_that_was_not_seen_to_its_ends_is_as_long_as_its_trace_says():
    """Else twins would differ in length, and lie wrong by as much when laid on by an end."""
    ends = ((0.0, 3.0), (172.0, 181.0))
    piece, plan = gapped(1, ()), plan_of_piece(gapped(2, ends))
    assert plan.z_mm[-1] < 172.0
    for datum in ("start", "end"):
        result = check(piece, plan, CheckRequest((0.5, 0.5), datum=datum))
        assert result.placement.offset_mm == pytest.approx(0.0, abs=result.placement.u95_mm)
        assert result.length is not None
        assert not result.length.differs
        assert result.verdict != "outside"
        assert not any(n.code in ("piece-longer", "plan-longer") for n in result.notices)


def test_a_plan_cut_by_its_photo_is_no_datum_and_has_no_length():
    plan = plan_of_piece(dataclasses.replace(gapped(2, ()), end_cut=True, length_mm=None))
    with pytest.raises(RefusalError, match="plan is cut off") as refused:
        check(gapped(1, ()), plan, CheckRequest(datum="end"))
    assert refused.value.notice.code == "datum-cut"
    assert check(gapped(1, ()), plan, CheckRequest(datum="start")).length is None


def test_a_length_that_is_poorly_known_does_not_go_past_the_plan():
    """3 mm longer where either length is known to 3 mm is no finding; where they are, it is."""
    plan, piece = plan_of_piece(gapped(2, ())), gapped(1, ())
    longer = dataclasses.replace(piece, length_mm=183.0)
    sure = check(longer, plan, CheckRequest(datum="start"))
    assert "piece-longer" in [n.code for n in sure.notices]
    unsure = check(
        dataclasses.replace(longer, length_u95_mm=4.0), plan, CheckRequest(datum="start")
    )
    assert "piece-longer" not in [n.code for n in unsure.notices]


@pytest.mark.parametrize("thicker", range(15, 75, 6))
def test_the_page_keeps_its_lists_off_its_foot(thicker):
    """The thicker the piece, the lower the lists begin: the last line must not slip through."""
    piece = flipped(gapped(1, PIECE_GAPS, lambda z: thicker + 0.6 * np.sin(z / 3.0)))
    plan = plan_of_piece(gapped(2, PLAN_GAPS, lambda z: thicker + 0.0 * z))
    result = check(piece, plan, CheckRequest())
    assert len(result.places) >= 9
    page = check_pdf(result, INCHES)
    places = []
    pypdf.PdfReader(io.BytesIO(page)).pages[0].extract_text(
        visitor_text=lambda text, cm, tm, font, size: (
            places.append((tm[5] + cm[5], text.strip())) if text.strip() else None
        )
    )
    foot = next(y for y, text in places if text.startswith("Stop the lathe"))
    assert min(y for y, text in places if not text.startswith("Stop")) > foot + 8.0


def test_a_pair_is_compared_where_both_were_seen():
    """The foot, thickest of all with 56 mm, is not seen on one of two twins."""
    plan = plan_of_piece(gapped(2, ((0.0, 14.0),)))
    pair = check(gapped(1, ()), plan, CheckRequest()).pair
    assert pair is not None
    largest = next(one for one in pair.whole if one.what == "largest")
    assert largest.verdict == "within"
    assert largest.difference_mm == pytest.approx(0.0, abs=largest.u95_mm)


def test_flanks_of_a_bead_are_met_at_one_depth_whatever_else_is_seen():
    """Less of the ground beside it makes a bead stand out by less, not be narrower."""
    plan = plan_of_piece(gapped(2, ((70.0, 84.8), (95.2, 110.0))))
    pair = check(gapped(1, ()), plan, CheckRequest()).pair
    assert pair is not None
    bead = next(twin for twin in pair.twins if twin.name == "bead")
    width = next(one for one in bead.likenesses if one.what == "width")
    assert abs(width.difference_mm) < 0.3


def test_places_of_a_pair_differ_by_no_more_than_the_scale_lets_them():
    """A twin measured 0.8 % large: its far features sit 0.6 mm off, and that is no difference."""
    noise = Noise(scale=0.004)
    z, d = rows_with_shoulders(mill_diameter)
    first = measured_copy(z, d, noise, None)
    second = measured_copy(1.008 * z, 1.008 * d, noise, None)
    pair = check(second, plan_of_piece(first), CheckRequest()).pair
    assert pair is not None
    places = [
        one for twin in pair.twins for one in twin.likenesses if one.what in ("place", "diameter")
    ]
    assert len(places) >= 6
    assert all(abs(one.difference_mm) < one.u95_mm for one in places)


def test_nothing_is_likely_within_where_nothing_was_seen():
    """A gap of 2 to 4 mm in each of three stretches whose ± is as large as what is allowed."""
    gaps = ((30.0, 32.5), (60.0, 64.0), (120.0, 122.0))
    piece = gapped(3, gaps)
    z = piece.profile.z_mm
    wide = np.any([(z > a - 10.0) & (z < b + 10.0) for a, b in gaps], axis=0)
    u95 = np.where(wide, 0.3, piece.profile.u95_mm)
    piece = dataclasses.replace(piece, profile=dataclasses.replace(piece.profile, u95_mm=u95))
    drawn = plan_of_profile(gapped(4, ()).profile, "mill")
    result = check(piece, drawn, CheckRequest((0.3, 0.3), pair=False))
    (line,) = (t for t in check_text(result, METRIC).splitlines() if "likely within" in t)
    spans = [tuple(map(float, s)) for s in re.findall(r"([\d.]+) to ([\d.]+)", line)]
    assert len(spans) > len(gaps)
    for low, high in spans:
        assert all(high <= a + 0.3 or low >= b - 0.3 for a, b in gaps), line
