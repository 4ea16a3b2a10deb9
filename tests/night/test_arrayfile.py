"""Arrays on their way between processes: to the bit, and from several threads at once."""

import ast
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from flashpan.night.arrayfile import read_arrays, write_arrays

ARRAYS = {
    "grid": np.random.default_rng(1).standard_normal((5, 3, 4)).astype(np.float32),
    "stamps": np.array([1, -(2**62)]),
    "flags": np.array([True, False]),
    "types": np.array(["I", "", "B"], "U4"),
    "none": np.zeros((0, 7), np.uint16),
    "single": 12,
    "text": "h264",
}


def test_comes_out_as_it_went_in(tmp_path):
    write_arrays(tmp_path / "a", ARRAYS)
    back = read_arrays(tmp_path / "a")
    assert list(back) == list(ARRAYS)
    for name, array in ARRAYS.items():
        assert back[name].dtype == np.asarray(array).dtype
        assert np.array_equal(back[name], array)


def test_a_file_that_was_cut_short_is_refused(tmp_path):
    write_arrays(tmp_path / "a", ARRAYS)
    (tmp_path / "a").write_bytes((tmp_path / "a").read_bytes()[:-3])
    with pytest.raises(EOFError, match="too early"):
        read_arrays(tmp_path / "a")


def test_threads_may_read_while_others_parse(tmp_path):
    write_arrays(tmp_path / "a", ARRAYS)
    nested = "(" * 60 + "1" + ",)" * 60

    def read(turn):
        return ast.literal_eval(nested) if turn % 2 else read_arrays(tmp_path / "a")

    with ThreadPoolExecutor(1) as parser, ThreadPoolExecutor(4) as readers:
        parsed = [parser.submit(ast.literal_eval, nested) for _ in range(200)]
        found = list(readers.map(lambda _: read(0), range(200)))
    assert all(one.result() for one in parsed)
    assert all(np.array_equal(one["grid"], ARRAYS["grid"]) for one in found)
