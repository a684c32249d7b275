"""A photo is checked with all that its trace knows: the lens that is saved, the board's scale."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.folders import CONFIG_VARIABLE
from calib.lens import lens_from_exif
from calib.lensfile import SavedLens, save_lens
from calib.photo import read_photo
from calib.printed import BarReading, remember_reading
from measure.check import CheckRequest
from measure.checkjob import run_check
from measure.profilefile import rows_csv
from measure.result import TraceRequest
from measure.tracejob import trace_one

BOARD_PHOTO = Path(__file__).parents[3] / "sample_images" / "mill_board.jpg"
ON_BOARD = TraceRequest(target="a4")


def checked(folder):
    plan = folder / "plan.csv"
    _, traced = trace_one(BOARD_PHOTO, ON_BOARD)
    plan.write_bytes(rows_csv(traced.profile))
    outcome = run_check(
        BOARD_PHOTO, plan, CheckRequest((0.3, 0.3)), ON_BOARD, plan_units=None,
        out=folder / "checked", inches=False, report=False, fail_outside=False, quietly=True,
    )  # fmt: skip
    return outcome, traced, (folder / "checked" / "profile.csv").read_bytes()


def test_a_photo_with_a_board_is_checked_by_the_trace_that_trace_makes(tmp_path, monkeypatch):
    monkeypatch.setenv(CONFIG_VARIABLE, str(tmp_path / "config"))
    remember_reading("a4", BarReading(99.6, 99.7, 0.05))
    outcome, traced, rows = checked(tmp_path)
    assert outcome.status == 0
    assert outcome.data["scale_from"] == traced.scale_from
    assert rows == rows_csv(traced.profile)


def test_the_lens_that_is_saved_for_the_phone_is_used(tmp_path, monkeypatch):
    monkeypatch.setenv(CONFIG_VARIABLE, str(tmp_path / "config"))
    photo = read_photo(BOARD_PHOTO)
    guess = lens_from_exif(photo.size_px, photo.focal_35mm)
    sure = replace(guess, covariance=1e-2 * np.asarray(guess.covariance), source="calibrated")
    save_lens(SavedLens(photo.camera, sure, 0.003, 10, 1820, 0.08, "k1"), replace=False)
    outcome, traced, rows = checked(tmp_path)
    assert outcome.data["lens_from"] == traced.lens_from == "calibrated"
    assert rows == rows_csv(traced.profile)
