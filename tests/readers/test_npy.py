import hashlib

import numpy as np
import psutil
import pytest
from still_fixtures import assert_frames, noise, read_all, slow_rec709

from flashpan.errors import UnreadableTake
from flashpan.readers.npy import NpyReader
from flashpan.readers.open import open_take


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("order", ["C", "F"])
def test_round_trip(tmp_path, bits, order):
    stack = noise(9, 5, 7, bits=bits)
    np.save(tmp_path / "t.npy", np.array(stack, order=order))
    before = hashlib.sha256((tmp_path / "t.npy").read_bytes()).digest()
    reader, frames = read_all(tmp_path / "t.npy")
    assert isinstance(reader, NpyReader)
    assert_frames(frames, stack)
    assert reader.info.bit_depth == bits
    assert reader.info.n_frames == 9
    assert reader.info.warnings == ()
    assert reader.bytes_read == stack.nbytes
    assert hashlib.sha256((tmp_path / "t.npy").read_bytes()).digest() == before


def test_big_endian(tmp_path):
    stack = noise(3, 5, 7, bits=16)
    np.save(tmp_path / "t.npy", stack.astype(">u2"))
    assert_frames(read_all(tmp_path / "t.npy")[1], stack)


@pytest.mark.parametrize("order", ["C", "F"])
def test_colour_becomes_luma(tmp_path, order):
    stack = noise(3, 5, 7, 3, bits=16)
    np.save(tmp_path / "t.npy", np.array(stack, order=order))
    assert_frames(read_all(tmp_path / "t.npy")[1], slow_rec709(stack))


def test_second_header_version(tmp_path):
    stack = noise(3, 5, 7)
    with (tmp_path / "t.npy").open("wb") as file:
        np.lib.format.write_array(file, stack, version=(2, 0))
    assert_frames(read_all(tmp_path / "t.npy")[1], stack)


def test_cut_short_is_read_up_to_the_cut(tmp_path):
    stack = noise(9, 5, 7)
    np.save(tmp_path / "t.npy", stack)
    data = (tmp_path / "t.npy").read_bytes()
    (tmp_path / "t.npy").write_bytes(data[: -35 * 3 - 4])
    reader, frames = read_all(tmp_path / "t.npy")
    assert_frames(frames, stack[:5])
    assert reader.info.n_frames == 5
    assert reader.info.declared_frames == 9
    assert reader.info.warnings == ("cut short: 5 of 9 frames are there",)


@pytest.mark.parametrize(
    ("array", "says"),
    [
        (np.array([{}, []], object), "pickled objects"),
        (np.zeros((2, 3, 4), bool), "255"),
        (np.zeros((2, 3, 4), np.float32), "uint16"),
        (np.zeros((2, 3, 4), np.int16), "uint16"),
        (np.zeros((2, 3, 4), np.uint32), "uint16"),
        (np.zeros((3, 4), np.uint8), "reshape"),
        (np.zeros((2, 3, 4, 5), np.uint8), "reshape"),
        (np.zeros((30, 40, 3), np.uint8), "one colour picture"),
        (np.zeros((0, 3, 4), np.uint8), "no picture"),
        (np.zeros((2, 0, 4), np.uint8), "no picture"),
    ],
)
def test_what_is_no_stack_is_refused_with_a_cure(tmp_path, array, says):
    np.save(tmp_path / "t.npy", array)
    with pytest.raises(UnreadableTake, match=says) as caught:
        open_take(tmp_path / "t.npy")
    assert str(tmp_path / "t.npy") in str(caught.value)
    assert "\n" not in str(caught.value)


class Bomb:
    """Unpickling it would be noticed."""

    def __reduce__(self):
        return (pytest.fail, ("a pickle was loaded",))


def test_pickle_is_never_loaded(tmp_path):
    np.save(tmp_path / "t.npy", np.array([Bomb()], object), allow_pickle=True)
    with pytest.raises(UnreadableTake, match="pickled"):
        open_take(tmp_path / "t.npy")


@pytest.mark.parametrize("keep", [0, 3, 9, 40, 128, 140])
def test_damaged_header_is_one_line(tmp_path, keep):
    np.save(tmp_path / "t.npy", noise(3, 10, 10))
    data = (tmp_path / "t.npy").read_bytes()
    (tmp_path / "t.npy").write_bytes(data[:keep])
    with pytest.raises(UnreadableTake) as caught:
        open_take(tmp_path / "t.npy")
    assert "\n" not in str(caught.value)


def test_absurd_size_asks_for_no_memory(tmp_path):
    with (tmp_path / "t.npy").open("wb") as file:
        np.lib.format.write_array_header_1_0(
            file, {"descr": "|u1", "fortran_order": False, "shape": (1, 10**9, 10**9)}
        )
    with pytest.raises(UnreadableTake, match="more than are believed; FLASHPAN_MAX_PIXELS sets"):
        open_take(tmp_path / "t.npy")


def test_memory_stays_flat(tmp_path):
    np.lib.format.open_memmap(tmp_path / "t.npy", "w+", np.uint8, (200, 1024, 1024)).flush()
    process = psutil.Process()
    with open_take(tmp_path / "t.npy") as reader:
        frames = iter(reader)
        next(frames)
        before = process.memory_info().rss
        peak = max(process.memory_info().rss for _ in frames)
    assert peak - before < 16 << 20
