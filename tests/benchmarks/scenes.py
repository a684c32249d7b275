"""Random scenes of the accuracy benchmark, drawn from the distributions that the priors state.

Each row of the accuracy table has its own generator; a scene depends on the row, the seed and its
number alone, so that the first eight are the same whether eight are asked for or eighty. Draws
that make no picture (the card outside the frame or behind the piece) are drawn again here, before
anything is rendered or measured; none is removed afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from sample_images.rendering.scene import Scene
from sample_images.rendering.staging import StageError
from tests.benchmarks.benchscenes import board_scene, card_scene
from tests.benchmarks.standscenes import plane_scene, stand_scene

__all__ = ["ROWS", "SceneSpec", "scenes"]

SceneSpec = Scene

FULL_PX, HALF_PX = (4032, 3024), (2016, 1512)
TRIES = 300

_STAGES: dict[str, Callable[[np.random.Generator, str, tuple[int, int], int], Scene]] = {
    "id1_flat": partial(card_scene, tilts=(5.0, 10.0)),
    "id1_tilted": partial(card_scene, tilts=(20.0, 30.0)),
    "a4_exif": partial(board_scene, calibrated=False),
    "a4_calibrated": partial(board_scene, calibrated=True),
    "stand_id1": stand_scene,
    "plane_known": plane_scene,
}

ROWS = tuple(_STAGES)
"""Rows of the accuracy table, in its order."""


def scenes(row: str, count: int, seed: int) -> list[SceneSpec]:
    """Return the first `count` scenes of a row of the accuracy table.

    Every second one is 2016 x 1512, the others 4032 x 3024.

    Raises
    ------
    ValueError
        No such row.
    """
    if row not in ROWS:
        raise ValueError(f"got row {row!r}, need one of {ROWS}")
    return [_scene(row, number, seed) for number in range(count)]


def _scene(row: str, number: int, seed: int) -> Scene:
    rng = np.random.default_rng([seed, ROWS.index(row), number])
    size = HALF_PX if number % 2 else FULL_PX
    for _ in range(TRIES):
        try:
            return _STAGES[row](rng, f"{row}-{seed}-{number:02d}", size, number)
        except StageError:
            continue
    raise RuntimeError(f"no scene of {row} in {TRIES} draws; the distributions are at odds")
