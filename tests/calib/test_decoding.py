"""Decoding in several threads at once, as a set of photos is read."""

import os
import threading
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from calib.decoding import DamagedPictureError, _listening, decode_plain


def jpeg(seed):
    random = np.random.default_rng(seed)
    picture = random.integers(0, 256, (240, 320, 3), dtype=np.uint8)
    return cv2.imencode(".jpg", cv2.resize(picture, (1280, 960)))[1].tobytes()


def test_threads_leave_standard_error_where_it_was():
    # The order that gives another thread's file back: the second begins while the first listens,
    # and ends after it.
    before = os.fstat(2).st_ino
    first_in, second_in, first_out = (threading.Event() for _ in range(3))

    def first():
        first_in.set()
        second_in.wait(0.3)

    def second():
        second_in.set()
        first_out.wait(0.3)

    def one():
        _listening(first)
        first_out.set()

    def two():
        first_in.wait(5.0)
        _listening(second)

    with ThreadPoolExecutor(2) as pool:
        for job in (pool.submit(one), pool.submit(two)):
            job.result()
    assert os.fstat(2).st_ino == before


def test_threads_tell_the_damaged_picture_from_the_whole_ones():
    whole = jpeg(1)
    pictures = [whole if i % 3 else whole[: len(whole) // 2] for i in range(24)]

    def damaged(data):
        try:
            decode_plain(data)
        except DamagedPictureError:
            return True
        return False

    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(damaged, pictures))
    assert found == [i % 3 == 0 for i in range(24)]
