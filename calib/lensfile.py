"""Saved lenses: one TOML file a camera, lens and picture size, in the config folder or handed on.

The file, schema 1::

    schema = 1
    kind = "lens"

    [camera]                  # as EXIF says; numbers are left out where it does not
    make = "..."
    model = "..."
    lens_focal_mm = 6.8
    focal_35mm = 26.0

    [picture]                 # as stored in the file, before EXIF's orientation turns it
    width_px = 4032
    height_px = 3024

    [lens]                    # pixels, pixel centres at integers; Brown's k1, k2 [Brown1971]
    focal_px = 3141.6
    centre_x_px = 2015.1
    centre_y_px = 1511.7
    k1 = 0.021
    k2 = -0.034
    covariance = [[...], ...] # 5 x 5 of the five above, of the calibration alone
    focus_sd = 0.003          # how much autofocus moves the focal length, relative

    [made]
    photos = 10
    corners = 1820
    rms_px = 0.08
    terms = "k1 k2"
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.exif import CameraId
from calib.folders import config_folder, write_whole
from calib.lens import Lens
from calib.refusal import BadFileError, Notice

__all__ = [
    "SavedLens",
    "forget_lens",
    "lens_name",
    "lens_toml",
    "parse_lens",
    "read_lens_file",
    "save_lens",
    "saved_lenses",
]

SCHEMA = 1
FOLDER = "lenses"
LARGEST_FOCUS_SD = 0.05


@dataclass(frozen=True, slots=True)
class SavedLens:
    """A calibrated lens and what it belongs to.

    Attributes
    ----------
    camera : as EXIF said in the photos of the set.
    lens : for the picture as stored; its covariance is that of the calibration alone.
    focus_sd : relative standard deviation of the focal length by autofocus.
    photos, corners, rms_px, terms : what it was made from.
    """

    camera: CameraId
    lens: Lens
    focus_sd: float
    photos: int
    corners: int
    rms_px: float
    terms: str


def lens_name(camera: CameraId, size_px: tuple[int, int]) -> str:
    """Return the name that a saved lens goes by, and its file but for `.toml`."""
    make = "" if camera.model.lower().startswith(camera.make.lower()) else camera.make
    parts = [make, camera.model]
    if camera.lens_focal_mm is not None:
        parts.append(f"{camera.lens_focal_mm:g}mm")
    if camera.focal_35mm is not None:
        parts.append(f"eq{camera.focal_35mm:g}")
    parts.append(f"{size_px[0]}x{size_px[1]}")
    words = re.sub(r"[^a-z0-9.]+", "-", " ".join(parts).lower())
    return words.strip("-.")[:100]


def lens_toml(saved: SavedLens) -> bytes:
    """Return the lens file's content."""
    import tomli_w

    lens, camera = saved.lens, saved.camera
    camera_part: dict[str, Any] = {"make": camera.make, "model": camera.model}
    if camera.lens_focal_mm is not None:
        camera_part["lens_focal_mm"] = camera.lens_focal_mm
    if camera.focal_35mm is not None:
        camera_part["focal_35mm"] = camera.focal_35mm
    content = {
        "schema": SCHEMA,
        "kind": "lens",
        "camera": camera_part,
        "picture": {"width_px": lens.size_px[0], "height_px": lens.size_px[1]},
        "lens": {
            "focal_px": lens.focal_px,
            "centre_x_px": lens.centre_px[0],
            "centre_y_px": lens.centre_px[1],
            "k1": lens.k1,
            "k2": lens.k2,
            "covariance": lens.covariance.tolist(),
            "focus_sd": saved.focus_sd,
        },
        "made": {
            "photos": saved.photos,
            "corners": saved.corners,
            "rms_px": saved.rms_px,
            "terms": saved.terms,
        },
    }
    return tomli_w.dumps(content).encode("utf-8")


def parse_lens(content: bytes, name: str) -> SavedLens:
    """Return the lens that a file holds.

    Parameters
    ----------
    content : the file.
    name : what to call it in a refusal.

    Raises
    ------
    BadFileError
        `lens-file-damaged`, `lens-file-newer`.
    """
    try:
        table = tomllib.loads(content.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        raise _damaged(name, "it is no TOML") from None
    schema = table.get("schema")
    if table.get("kind") != "lens" or not isinstance(schema, int) or schema < 1:
        raise _damaged(name, "it is no lens file")
    if schema > SCHEMA:
        raise BadFileError(
            "lens-file-newer",
            f"{name} was written by a newer version (schema {schema}; this one knows {SCHEMA}).",
            "Update this program, or calibrate again with: calib lens PHOTOS...",
        )
    try:
        return _checked(table)
    except (KeyError, TypeError, ValueError) as error:
        raise _damaged(name, str(error) or "a value is missing") from None


def _checked(table: Mapping[str, Any]) -> SavedLens:
    camera, picture, lens, made = (table[key] for key in ("camera", "picture", "lens", "made"))
    size = _whole(picture, "width_px", 100, 100_000), _whole(picture, "height_px", 100, 100_000)
    longest = float(max(size))
    covariance = np.array(lens["covariance"], dtype=np.float64)
    if covariance.shape != (5, 5) or not np.all(np.isfinite(covariance)):
        raise ValueError("the covariance is not 5 x 5 numbers")
    if np.diag(covariance).min() < 1e-30:
        raise ValueError("the covariance is none")
    sd = np.sqrt(np.diag(covariance))
    scaled = covariance / np.outer(sd, sd)
    symmetric = np.allclose(scaled, scaled.T, atol=1e-6)
    if not symmetric or np.linalg.eigvalsh((scaled + scaled.T) / 2.0)[0] <= 1e-12:
        raise ValueError("the covariance is none")
    return SavedLens(
        camera=CameraId(
            make=_text(camera, "make"),
            model=_text(camera, "model"),
            lens_focal_mm=_number(camera, "lens_focal_mm", 0.1, 2000.0, optional=True),
            focal_35mm=_number(camera, "focal_35mm", 1.0, 3000.0, optional=True),
        ),
        lens=Lens(
            focal_px=_need(_number(lens, "focal_px", 0.2 * longest, 30.0 * longest)),
            centre_px=(
                _need(_number(lens, "centre_x_px", 0.0, float(size[0]))),
                _need(_number(lens, "centre_y_px", 0.0, float(size[1]))),
            ),
            k1=_need(_number(lens, "k1", -1.0, 1.0)),
            k2=_need(_number(lens, "k2", -5.0, 5.0)),
            size_px=size,
            covariance=(covariance + covariance.T) / 2.0,
            source="calibrated",
        ),
        focus_sd=_need(_number(lens, "focus_sd", 0.0, LARGEST_FOCUS_SD)),
        photos=_whole(made, "photos", 1, 100_000),
        corners=_whole(made, "corners", 1, 100_000_000),
        rms_px=_need(_number(made, "rms_px", 0.0, 100.0)),
        terms=_text(made, "terms"),
    )


def _number(
    table: Mapping[str, Any], key: str, low: float, high: float, optional: bool = False
) -> float | None:
    if optional and key not in table:
        return None
    value = table[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{key} is no number")
    if not math.isfinite(value) or not low <= value <= high:
        raise ValueError(f"{key} = {value:g} cannot be")
    return float(value)


def _need(value: float | None) -> float:
    if value is None:
        raise ValueError("a value is missing")
    return value


def _whole(table: Mapping[str, Any], key: str, low: int, high: int) -> int:
    value = table[key]
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ValueError(f"{key} = {value} cannot be")
    return value


def _text(table: Mapping[str, Any], key: str) -> str:
    value = table[key]
    if not isinstance(value, str) or len(value) > 200:
        raise ValueError(f"{key} is no name")
    return value


def _damaged(name: str, why: str) -> BadFileError:
    return BadFileError(
        "lens-file-damaged",
        f"{name} is damaged: {why}.",
        "Delete it and calibrate again with: calib lens PHOTOS...",
    )


def read_lens_file(path: Path) -> SavedLens:
    """Return the lens in a file.

    Raises
    ------
    BadFileError
        If it is missing, cannot be read, is damaged or of a newer schema.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise BadFileError(
            "no-such-file", f"There is no file {path}.", "Check the name and the folder."
        ) from None
    except OSError as error:
        raise BadFileError(
            "cannot-read",
            f"{path} cannot be read: {error.strerror or error}.",
            "Check its permissions, or copy it to another folder.",
        ) from None
    return parse_lens(content, str(path))


def saved_lenses() -> tuple[dict[str, SavedLens], tuple[Notice, ...]]:
    """Return the saved lenses by name, and a notice for each file that cannot be used."""
    folder = config_folder() / FOLDER
    lenses, troubles = {}, []
    for path in sorted(folder.glob("*.toml")):
        try:
            lenses[path.stem] = read_lens_file(path)
        except BadFileError as trouble:
            troubles.append(trouble.notice)
    return lenses, tuple(troubles)


def save_lens(saved: SavedLens, replace: bool) -> str:
    """Save a lens in the config folder; return its name.

    Raises
    ------
    BadFileError
        `lens-exists` if there is one of that name and `replace` is False, or it cannot be
        written.
    """
    name = lens_name(saved.camera, saved.lens.size_px)
    path = config_folder() / FOLDER / f"{name}.toml"
    if path.exists() and not replace:
        raise BadFileError(
            "lens-exists",
            f"There is a lens {name} already.",
            "Add --replace to put the new one in its place.",
        )
    write_whole(path, lens_toml(saved))
    return name


def forget_lens(name: str) -> None:
    """Delete a saved lens, damaged or not.

    Raises
    ------
    BadFileError
        `no-such-lens`, or it cannot be deleted.
    """
    folder = config_folder() / FOLDER
    path = folder / f"{name}.toml"
    if path.parent != folder or not path.is_file():
        raise BadFileError(
            "no-such-lens", f"There is no saved lens {name}.", "List them with: calib lens --list"
        )
    path.unlink()
