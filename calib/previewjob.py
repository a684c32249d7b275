"""One photo looked at before it is measured: what is in it, what to expect, what to change."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.board import Board
from calib.ending import Outcome
from calib.expected import weighted
from calib.finding import FoundTarget, find_target, linear_table
from calib.lens import Lens, lens_from_exif
from calib.lenschoice import choose_lens
from calib.lightcheck import judge_light
from calib.modelpiece import SETUPS, room_in_picture
from calib.movedview import tilt_of
from calib.photo import Photo, read_photo
from calib.photochange import Asked, Change, Outlook, Seen, changes, outlook, placed
from calib.printed import PrintScale, scale_of_target
from calib.refusal import BadFileError, Notice
from calib.setupdoubt import setup_notices
from calib.setupnames import setup_advice
from calib.sight import fit_view
from calib.sourcewords import scale_words
from calib.targets import parse_target
from calib.view import View

__all__ = ["Preview", "asked_for", "preview", "preview_photo"]

LEAST_MM, LARGEST_MM = 5.0, 5000.0
"""Of a thinner or shorter piece no phone tells anything of use: it was meant in inches."""
WORTH_SHARE = 0.95
"""A change that leaves more than this share of the uncertainty is not worth a new photo."""
LIES = {
    "bench": "lying on the bench",
    "upright": "standing on the bench",
    "level": "chocked level",
    "plane": "with its axis in the plane of the card",
}


@dataclass(frozen=True, slots=True)
class Preview:
    """What a photo holds and will give.

    Attributes
    ----------
    found, lens, lens_name : the target; the lens prior, and its name if it is a saved one.
    tilt_rad : from straight down onto the target; `distance_mm` from phone to target.
    px_per_mm : at the piece.
    blur_px : middle width of the target's edges, NaN if none could be judged.
    asked, expects : for which piece, and its uncertainty.
    without_lens : what it would be without the saved lens; None where none was used.
    view : of the target.
    changes : those that gain something, the best first.
    notices : what the turner should know.
    """

    found: FoundTarget
    view: View
    lens: Lens
    lens_name: str | None
    tilt_rad: float
    distance_mm: float
    px_per_mm: float
    blur_px: float
    asked: Asked
    expects: Outlook
    without_lens: Outlook | None
    changes: tuple[Change, ...]
    notices: tuple[Notice, ...]


def asked_for(
    setup: str,
    diameter_mm: float,
    length_mm: float,
    axis_height_mm: float | None = None,
    axis_offset_mm: float | None = None,
) -> Asked:
    """Return what is asked, checked.

    Raises
    ------
    BadFileError
        Code `bad-option`.
    """
    setup = setup.strip().lower()
    if setup not in SETUPS:
        raise _bad(f"--setup {setup} is not known.", setup_advice(setup, SETUPS))
    for option, value in (("diameter", diameter_mm), ("length", length_mm)):
        if not LEAST_MM <= value <= LARGEST_MM:
            raise _bad(
                f"--{option} {value:g} mm cannot be.",
                f"Give it in mm, {LEAST_MM:g} or more, or in inches, as 2-3/8in.",
            )
    if (setup == "level") != (axis_height_mm is not None):
        raise _bad(
            "--axis-height and --setup level go together.",
            "Give both, the height from the bench to the centres in mm, or neither.",
        )
    if axis_height_mm is not None and not 0.0 < axis_height_mm <= LARGEST_MM:
        raise _bad(f"--axis-height {axis_height_mm:g} cannot be.", "Give it in mm, above 0.")
    if axis_offset_mm is not None and (setup != "plane" or not abs(axis_offset_mm) <= LARGEST_MM):
        raise _bad("--axis-offset goes with --setup plane.", "Add that, or leave the offset out.")
    return Asked(setup, diameter_mm, length_mm, axis_height_mm, axis_offset_mm or 0.0)


def _bad(message: str, advice: str) -> BadFileError:
    return BadFileError("bad-option", message, advice)


def preview_photo(path: Path, target: str, asked: Asked) -> Outcome:
    """Look at a photo and say what it will give.

    Raises
    ------
    RefusalError
        If the photo cannot be read or holds no target.
    """
    photo = read_photo(path)
    scale = scale_of_target(target)
    choice = choose_lens(photo)
    seen = preview(photo, target, asked, choice.lens, scale)
    seen = replace(seen, lens_name=choice.name, notices=(*choice.notices, *seen.notices))
    return Outcome(_text(photo, seen), _data(photo, seen), seen.notices)


def preview(
    photo: Photo, target: str, asked: Asked, lens: Lens | None, scale: PrintScale | None
) -> Preview:
    """Return what a photo holds and will give.

    Parameters
    ----------
    photo, target, asked : the photo; what `--target` names; the piece and how it lies.
    lens : a saved lens that fits the photo; None for the prior that EXIF gives.
    scale : of a printed board.

    Raises
    ------
    RefusalError
        When the target is not found.
    """
    exif = lens_from_exif(
        photo.size_px, photo.focal_35mm, photo.focal_relative_sd, photo.framing != "cropped"
    )
    prior = exif if lens is None else lens
    named = parse_target(target)
    found = find_target(photo, prior, named, scale)
    view, solution = fit_view(found.sight, prior)
    sight = weighted(found.sight, solution.weights)
    board = named if isinstance(named, Board) else None
    face = (named.width_mm, named.height_mm) if not isinstance(named, Board) else named.size_mm
    window = None if board is None else board.window_mm
    seen = Seen(view, sight, prior, face, window, found.thickness_mm)
    try:
        piece = placed(seen, asked)
        expects = outlook(view, sight, prior, piece, asked.setup)
    except ValueError:
        raise _bad(
            "A piece of that size would reach up to the phone.", "Check --diameter and --length."
        ) from None
    known = scale is None or scale.measured
    tried = changes(seen, asked, piece, known)
    worth = tuple(c for c in tried if c.gives.worth_mm < WORTH_SHARE * expects.worth_mm)
    tilt, _ = tilt_of(view)
    blur, light = judge_light(photo.bgr, found.sight, linear_table())
    doubt = setup_notices(asked.setup, math.degrees(tilt))
    notices = [*photo.notices, *found.notices, *light, *doubt]
    if room_in_picture(view, piece) < 0.0:
        notices.append(_beyond(asked))
    middle = piece.at(np.array([0.5 * piece.length_mm]))[0]
    away = float(np.linalg.norm(middle - view.camera_centre_mm))
    bare = None if lens is None else outlook(view, sight, exif, piece, asked.setup)
    distance = float(np.linalg.norm(view.translation_mm))
    per_mm = view.lens.focal_px / away
    return Preview(
        found, view, prior, None, tilt, distance, per_mm, blur, asked, expects,
        bare, worth,
        tuple(notices),
    )  # fmt: skip


def _beyond(asked: Asked) -> Notice:
    return Notice(
        "piece-beyond-picture",
        f"A piece {asked.length_mm:g} mm long beside the target would run out of this photo.",
        "Hold the phone farther away, or say the true size with --diameter and --length.",
    )


def _text(photo: Photo, seen: Preview) -> str:
    asked, expects = seen.asked, seen.expects
    lines = [
        f"Photo    {photo.name}, {photo.size_px[0]} x {photo.size_px[1]} pixels",
        f"Target   {scale_words(seen.found.scale_from)}, {seen.distance_mm:.0f} mm from the phone; "
        f"{seen.px_per_mm:.1f} pixels to the mm at the piece",
        f"Lens     {_lens_words(seen)}",
        f"Tilt     {math.degrees(seen.tilt_rad):.0f}° from looking straight down on the target",
        f"Light    {_light_words(seen)}",
        "Piece    not looked at: whether it stands out from its ground, only a trace tells",
        "",
        f"To expect, for a piece of {asked.diameter_mm:g} mm diameter and {asked.length_mm:g} mm "
        f"length, {LIES[asked.setup]},",
        "if it can be traced, where it runs level (on slopes and beside steps it will be more):",
        f"  with beads and coves  ± {expects.coved.u95_mm:.2f} mm (95 %) on a diameter",
        f"  a plain cylinder      ± {expects.plain.u95_mm:.2f} mm; yours lies in between",
    ]
    if seen.without_lens is not None:
        lines.append(f"Without the saved lens it would be {_between(seen.without_lens)}.")
    if not seen.changes:
        return "\n".join([*lines, "", "No single change to the photo would gain much."])
    best, *others = seen.changes
    now = _between(expects)
    lines += ["", f"What would gain most, now {now}:", f"  {best.words}: {_between(best.gives)}"]
    if others:
        lines += ["Instead of that:"]
        lines += [f"  {other.words}: {_between(other.gives)}" for other in others]
    return "\n".join(lines)


def _between(outlook: Outlook) -> str:
    low, high = (f"{u:.2f}" for u in sorted((outlook.coved.u95_mm, outlook.plain.u95_mm)))
    return f"± {low} mm" if low == high else f"± {low} to {high} mm"


def _lens_words(seen: Preview) -> str:
    lens = seen.lens
    sd = 100.0 * math.sqrt(lens.covariance[0, 0]) / lens.focal_px
    if lens.source == "calibrated":
        named = "" if seen.lens_name is None else f" ({seen.lens_name})"
        return f"calibrated{named}; focal length known to {1.96 * sd:.1f} %"
    where = "from the photo's own note (EXIF)" if lens.source == "exif" else "not stated; assumed"
    return f"{where}; focal length known to {1.96 * sd:.0f} %"


def _light_words(seen: Preview) -> str:
    codes = {notice.code for notice in seen.notices}
    blur = "blur could not be judged"
    if math.isfinite(seen.blur_px):
        state = "shaken" if "motion-blur" in codes else "sharp"
        state = "out of focus" if "out-of-focus" in codes else state
        blur = f"{state} (edges {seen.blur_px:.1f} px wide)"
    return f"{blur}, {'overexposed' if 'overexposed' in codes else 'exposure good'}"


def _data(photo: Photo, seen: Preview) -> dict[str, Any]:
    asked, bare = seen.asked, seen.without_lens
    return {
        "kind": "preview",
        "photo": photo.name,
        "setup": asked.setup,
        "scale_from": seen.found.scale_from,
        "lens_from": seen.lens.source,
        "lens_name": seen.lens_name,
        "tilt_deg": math.degrees(seen.tilt_rad),
        "distance_mm": seen.distance_mm,
        "px_per_mm": seen.px_per_mm,
        "blur_px": seen.blur_px if math.isfinite(seen.blur_px) else None,
        "diameter_mm": asked.diameter_mm,
        "piece_length_mm": asked.length_mm,
        **_widths(seen.expects),
        "without_lens": None if bare is None else _widths(bare),
        "changes": [{"code": c.code, "words": c.words, **_widths(c.gives)} for c in seen.changes],
        "warnings": [
            {"code": n.code, "message": n.message, "advice": n.advice} for n in seen.notices
        ],
    }


def _widths(outlook: Outlook) -> dict[str, float]:
    return {
        "u95_mm": outlook.coved.u95_mm,
        "u95_common_mm": outlook.coved.common_mm,
        "u95_worst_mm": outlook.coved.worst_mm,
        "u95_plain_mm": outlook.plain.u95_mm,
    }
