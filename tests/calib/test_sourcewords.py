"""What is said of scale and lens, in the turner's words."""

import pytest

from calib.lens import lens_from_exif
from calib.sourcewords import scale_words, source_words


@pytest.mark.parametrize(
    ("focal_35mm", "said"),
    [
        (26.0, "scale: bank card (ID-1); lens: from the photo's own note (EXIF)"),
        (None, "scale: bank card (ID-1); lens: assumed, the photo says nothing"),
    ],
)
def test_lens_is_said_as_a_turner_would(focal_35mm: float | None, said: str) -> None:
    lens = lens_from_exif((4000, 3000), focal_35mm)
    assert source_words("ID-1 card", lens.source) == said


def test_boards_and_rectangles_keep_their_names() -> None:
    assert scale_words("a4 board") == "a4 board"
    assert source_words("120 x 80 mm rectangle", "calibrated") == (
        "scale: 120 x 80 mm rectangle; lens: calibrated"
    )
