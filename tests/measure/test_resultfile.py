import json

import pytest

from calib.refusal import BadFileError
from measure.resultfile import read_result, result_json, rounded, trace_data
from tests.measure.exact_shapes import cone, gapped_result, result_of

# Section "Files" of DEVELOPERS.md: other programs rely on these.
CONTRACT = {
    "schema", "kind", "photo", "setup", "scale_from", "lens_from", "z_zero", "length_mm",
    "length_u95_mm", "max_diameter_mm", "warnings",
}  # fmt: skip


def written(result):
    return json.loads(result_json(trace_data(result)))


def test_every_key_that_others_rely_on_is_there():
    data = written(gapped_result())
    assert set(data) >= CONTRACT
    assert data["schema"] == 1
    assert data["kind"] == "trace"
    assert data["max_diameter_mm"] == 60.0
    assert data["length_mm"] == 100.0


def test_warnings_carry_code_message_and_advice():
    data = written(gapped_result())
    assert data["warnings"] == [
        {
            "code": "lens-unsure",
            "message": "The lens is not known well.",
            "advice": "Calibrate it with calib lens.",
        }
    ]
    assert data["left_out"] == [
        {"z_from_mm": 40.0, "z_to_mm": 52.0, "reason": "hidden behind a bead"}
    ]


def test_a_cut_piece_has_a_null_length():
    cut = result_of(cone(), z_zero="cut", length_mm=None, length_u95_mm=None)
    data = written(cut)
    assert data["z_zero"] == "cut"
    assert data["length_mm"] is None
    assert data["length_u95_mm"] is None


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_number_that_is_none_is_misuse(value):
    with pytest.raises(ValueError, match="finite"):
        rounded(value)
    with pytest.raises(ValueError, match="JSON"):
        result_json({"kind": "trace", "x": value})


def test_what_is_written_is_read_back(tmp_path):
    path = tmp_path / "result.json"
    path.write_bytes(result_json(trace_data(gapped_result())))
    assert read_result(path) == written(gapped_result())


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "result-damaged"),
        (b"{", "result-damaged"),
        (b"[1, 2]", "result-damaged"),
        (b"\xff\xd8\xff\xe0", "result-damaged"),
        (b"[" * 100_000, "result-damaged"),
        (b'{"schema": 1}', "result-damaged"),
        (b'{"kind": "trace"}', "result-damaged"),
        (b'{"kind": "trace", "schema": true}', "result-damaged"),
        (b'{"kind": "trace", "schema": 99}', "result-newer"),
    ],
)
def test_what_is_no_result_is_refused(tmp_path, content, code):
    path = tmp_path / "result.json"
    path.write_bytes(content)
    with pytest.raises(BadFileError) as refusal:
        read_result(path)
    assert refusal.value.notice.code == code


def test_a_missing_result_is_refused(tmp_path):
    with pytest.raises(BadFileError) as refusal:
        read_result(tmp_path / "result.json")
    assert refusal.value.notice.code == "no-such-file"
