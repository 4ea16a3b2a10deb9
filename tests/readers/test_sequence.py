import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashpan.errors import UnreadableTake
from flashpan.readers.sequence import find_sequence, is_pattern, missing


def touch(folder, *names):
    for name in names:
        (folder / name).touch()


def test_order_is_numeric_not_alphabetic(tmp_path):
    touch(tmp_path, *(f"shot_{k}.png" for k in (10, 9, 100, 1)))
    found = find_sequence(str(tmp_path))
    assert found.names == ("shot_1.png", "shot_9.png", "shot_10.png", "shot_100.png")
    assert found.first_number == 1
    assert found.pattern == "shot_%d.png"


@pytest.mark.parametrize(
    ("names", "pattern"),
    [
        (("a_0007.tif", "a_0008.tif"), "a_%04d.tif"),
        (("c1_x_0001_raw12.tif", "c1_x_0002_raw12.tif"), "c1_x_%04d_raw12.tif"),
        (("20240501_120000_01.tif", "20240501_120001_02.tif"), "20240501_*_%02d.tif"),
        (("998.tif", "999.tif", "1000.tif"), "%d.tif"),
        (("098.tif", "099.tif", "100.tif"), "%03d.tif"),
        (("50%_1.tif", "50%_2.tif"), "50%%_%d.tif"),
        (("alone.png",), "alone.png"),
    ],
)
def test_pattern_names_the_sequence_and_finds_it_again(tmp_path, names, pattern):
    touch(tmp_path, *names)
    found = find_sequence(str(tmp_path))
    assert found.pattern == pattern
    assert found.names == names
    if is_pattern(str(tmp_path / pattern)):
        assert find_sequence(str(tmp_path / pattern)).names == names


def test_other_files_in_the_folder_do_not_matter(tmp_path):
    touch(tmp_path, "s_1.png", "s_2.png", "notes.txt", ".s_3.png", "cover.png", "s_1.xml")
    (tmp_path / "s_9.png").mkdir()
    assert find_sequence(str(tmp_path)).names == ("s_1.png", "s_2.png")


@pytest.mark.parametrize(
    ("names", "patterns"),
    [
        (("a_1.png", "a_2.png", "b_1.png", "b_2.png"), ("a_%d.png", "b_%d.png")),
        (("s_01.png", "s_02.png", "s_01.jpg", "s_02.jpg"), ("s_%02d.jpg", "s_%02d.png")),
        (
            tuple(f"f_{k:03d}_cam{c}.tif" for k in range(5) for c in (1, 2)),
            ("f_%03d_cam1.tif", "f_%03d_cam2.tif"),
        ),
    ],
)
def test_several_sequences_are_refused_with_their_patterns(tmp_path, names, patterns):
    touch(tmp_path, *names)
    with pytest.raises(UnreadableTake) as caught:
        find_sequence(str(tmp_path))
    assert "\n" not in str(caught.value)
    for pattern in patterns:
        assert pattern in str(caught.value)
        chosen = find_sequence(str(tmp_path / pattern)).names
        assert 0 < len(chosen) < len(names)


def test_two_files_of_one_number_are_refused(tmp_path):
    touch(tmp_path, "s_1.png", "s_01.png", "s_2.png")
    with pytest.raises(UnreadableTake, match=r"one number"):
        find_sequence(str(tmp_path))


def test_stills_without_numbers_are_refused(tmp_path):
    touch(tmp_path, "left.png", "right.png")
    with pytest.raises(UnreadableTake, match="number them"):
        find_sequence(str(tmp_path))


def test_percent_d_means_that_many_digits_or_more(tmp_path):
    touch(tmp_path, "s_001.png", "s_1000.png", "s_7.png")
    assert find_sequence(str(tmp_path / "s_%03d.png")).names == ("s_001.png", "s_1000.png")


def test_file_called_like_a_pattern_is_that_file(tmp_path):
    touch(tmp_path, "odd*name_1.png", "oddXname_1.png")
    assert not is_pattern(str(tmp_path / "odd*name_1.png"))
    assert find_sequence(str(tmp_path / "odd*name_1.png")).names == ("odd*name_1.png",)


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ([1, 2, 3], ""),
        ([11, 15, 16, 19, 21], "12–14, 17–18, 20"),
        (list(range(0, 50, 2)), "1, 3, 5, 7, 9, 11, 13, 15, 17, 19 and 14 more gaps"),
    ],
)
def test_gaps_are_named_compactly(numbers, text):
    assert missing(np.array(numbers)) == text


@given(st.sets(st.integers(0, 300), min_size=1, max_size=40))
def test_gaps_are_exactly_what_is_missing(numbers):
    ordered = sorted(numbers)
    gone = [n for n in range(ordered[0], ordered[-1]) if n not in numbers]
    text = missing(np.array(ordered))
    if "more gaps" in text:
        return
    named = []
    for run in filter(None, text.split(", ")):
        first, _, last = run.partition("–")
        named += range(int(first), int(last or first) + 1)
    assert named == gone
