"""A photo in which hardly anything can be seen is told to be dark, not how to lay the card."""

import numpy as np
import pytest
from drawncards import FOCAL_35MM, photo_of

from calib.finding import find_target
from calib.lens import lens_from_exif
from calib.refusal import RefusalError
from calib.targets import ID1


@pytest.mark.parametrize(("level", "dark"), [(0, True), (40, True), (120, False)])
def test_advice_of_a_photo_without_a_card_is_light_first_where_it_is_dark(level, dark):
    bgr = np.full((600, 800, 3), level, dtype=np.uint8)
    with pytest.raises(RefusalError) as caught:
        find_target(photo_of(bgr), lens_from_exif((800, 600), FOCAL_35MM), ID1, None)
    assert caught.value.notice.code == "no-target"
    assert ("more light" in caught.value.notice.advice) == dark
