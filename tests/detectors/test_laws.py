"""Laws that every registered detector keeps, built in or not."""

import pickle
from dataclasses import replace

import numpy as np
import pytest
from array_takes import ArrayReader, grey_noise, measured

from flashpan import registry
from flashpan.detectors.base import Detector, Scene
from flashpan.grid import lay_grid
from flashpan.model import Region, TakeInfo, Tiles

NAMES = registry.names(registry.DETECTORS)
SHAPE = (36, 48)
pytestmark = pytest.mark.parametrize("name", NAMES)


def detector(name):
    return registry.load(registry.DETECTORS, name)()


def lively(n_frames=180, seed=0):
    """Noise, a flash at 60, something crossing from 100 to 130."""
    pictures = grey_noise(n_frames, SHAPE, seed=seed)
    pictures[60:63, 10:24, 10:24] += 40
    for index in range(100, min(130, n_frames)):
        pictures[index, 20:26, index - 95 : index - 88] += 60
    return pictures


def started(name, reader, grid):
    return detector(name).start(Scene(info=reader.info, grid=grid))


def scored(name, reader, regions=(), ignore=()):
    """Every frame's final score: the warm-up's in retrospect."""
    grid, tiles = measured(reader, regions, ignore)
    return final(started(name, reader, grid), tiles)


def final(run, tiles):
    scores = [run.score(frame) for frame in tiles]
    past = {score.index: score for score in run.retrospect()}
    return [past.get(score.index, score) for score in scores]


def values(scores):
    return np.array([score.value for score in scores])


def test_is_a_detector_that_knows_its_name(name):
    made = detector(name)
    assert isinstance(made, Detector)
    assert made.name == name
    assert made.version >= 1


def test_settings_are_frozen_and_pickle(name):
    made = detector(name)
    assert pickle.loads(pickle.dumps(made)) == made
    assert hash(made) == hash(detector(name))
    assert made.__dataclass_params__.frozen


def test_is_deterministic(name):
    reader = ArrayReader(lively())
    assert scored(name, reader) == scored(name, reader)


def test_sees_something_happen(name):
    # So that the laws below cannot be kept by scoring nothing.
    found = values(scored(name, ArrayReader(lively())))
    assert found.max() > 3 * np.median(found) > 0


def test_readings_change_no_score_and_are_what_the_score_is(name):
    reader = ArrayReader(lively())
    grid, tiles = measured(reader)
    scene = Scene(info=reader.info, grid=grid, with_readings=True)
    scores = final(detector(name).start(scene), tiles)
    assert [replace(score, reading=None) for score in scores] == scored(name, reader)
    told = [score for score in scores if score.reading is not None]
    assert len(told) > 150
    for score in told:
        departure = (score.reading.value - score.reading.expected) / score.reading.noise
        either = (max(0.0, departure), abs(departure))
        assert score.value in [pytest.approx(size, rel=1e-3, abs=1e-3) for size in either]


def test_gives_one_score_per_frame_in_order(name):
    reader = ArrayReader(lively())
    grid, tiles = measured(reader)
    run = started(name, reader, grid)
    scores = [run.score(frame) for frame in tiles]
    assert [score.index for score in scores] == list(range(len(tiles)))
    warm_up = [score.index for score in scores if not score.valid]
    assert [score.index for score in run.retrospect()] == warm_up
    assert run.retrospect() == ()
    # The warm-up is one stretch, and short; nothing is invalid later.
    assert warm_up == list(range(warm_up[0], warm_up[-1] + 1))
    # 128 frames where a part of the scene is stirred, as here, and 32 elsewhere.
    assert warm_up[-1] <= 128


def test_scores_are_finite_and_never_negative(name):
    for score in scored(name, ArrayReader(lively())):
        assert np.isfinite([score.value, score.moving, score.sign]).all()
        assert score.value >= 0
        assert -1 <= score.sign <= 1
        assert 0 <= score.since <= score.index
        assert score.until <= score.index
        assert score.valid


@pytest.mark.parametrize("n_frames", [2, 20, 33, 61, 101, 110, 150])
def test_first_frames_score_the_same_in_a_longer_take(name, n_frames):
    reader = ArrayReader(lively())
    grid, tiles = measured(reader)
    whole, part = started(name, reader, grid), started(name, reader, grid)
    longer = [whole.score(frame) for frame in tiles]
    shorter = [part.score(frame) for frame in tiles[:n_frames]]
    assert longer[:n_frames] == shorter
    if not shorter[-1].valid:
        return
    assert whole.retrospect() == part.retrospect()


@pytest.mark.parametrize("bit_depth", [8, 10, 12, 16])
@pytest.mark.parametrize("limited_range", [False, True])
def test_constant_take_scores_nothing(name, bit_depth, limited_range):
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    scene = np.random.default_rng(1).integers(0, 1 << bit_depth, SHAPE).astype(dtype)
    pictures = np.repeat(scene[None], 120, axis=0)
    reader = ArrayReader(pictures, bit_depth=bit_depth, limited_range=limited_range)
    assert not values(scored(name, reader)).any()


def test_bit_depths_of_one_scene_agree_within_quantisation(name):
    # Noise of four levels at 8 bits: rounding, 1/sqrt(12) of a level, is 7 % of it.
    random = np.random.default_rng(8)
    scene = random.normal(0.3, 4 / 255, (160, *SHAPE))
    scene[100:103, 10:24, 10:24] += 0.2
    found = {}
    for bit_depth in (8, 10, 12, 16):
        top = (1 << bit_depth) - 1
        dtype = np.uint8 if bit_depth == 8 else np.uint16
        pictures = np.clip(np.rint(scene * top), 0, top).astype(dtype)
        found[bit_depth] = values(scored(name, ArrayReader(pictures, bit_depth=bit_depth)))
    deepest = found.pop(16)
    for bit_depth, scores in found.items():
        apart = np.abs(scores - deepest) / np.maximum(deepest, 1.0)
        rounding = 0.072 * 2.0 ** (8 - bit_depth)
        assert np.median(apart) <= rounding, bit_depth
        # Rounding is noise of its own, of so much in noise units: four sigmas of it, or twice
        # its share of a large score.
        step = np.abs(scores - deepest)[100:103]
        assert (step <= np.maximum(4 * rounding, 2 * rounding * deepest[100:103])).all(), bit_depth


def test_changes_outside_the_region_have_no_effect(name):
    regions = (Region(4, 6, 20, 20), Region(10, 30, 12, 14))
    pictures = lively()
    other = np.random.default_rng(2).integers(0, 256, pictures.shape).astype(np.uint8)
    for box in regions:
        inside = (slice(None), slice(box.top, box.bottom), slice(box.left, box.right))
        other[inside] = pictures[inside]
    assert scored(name, ArrayReader(pictures), regions) == scored(name, ArrayReader(other), regions)


def test_changes_inside_an_ignored_region_have_no_effect(name):
    ignore = (Region(0, 0, 12, 48), Region(20, 5, 7, 9))
    pictures = lively()
    other = pictures.copy()
    random = np.random.default_rng(3)
    for box in ignore:
        inside = (slice(None), slice(box.top, box.bottom), slice(box.left, box.right))
        other[inside] = random.integers(0, 256, other[inside].shape)
    assert scored(name, ArrayReader(pictures), (), ignore) == scored(
        name, ArrayReader(other), (), ignore
    )


def test_extents_lie_on_the_grid(name):
    reader = ArrayReader(lively())
    rows, cols = lay_grid(SHAPE).shape
    for score in scored(name, reader):
        for box in (score.extent, score.around):
            if box is not None:
                top, left, bottom, right = box
                assert 0 <= top < bottom <= rows
                assert 0 <= left < right <= cols
        if score.tile is not None:
            assert 0 <= score.tile[0] < rows
            assert 0 <= score.tile[1] < cols


def test_two_runs_do_not_interact(name):
    one, other = ArrayReader(lively()), ArrayReader(lively(seed=9)[::-1].copy())
    grid, tiles_one = measured(one)
    _, tiles_other = measured(other)
    alone_one, alone_other = scored(name, one), scored(name, other)
    scene = Scene(info=one.info, grid=grid)
    made = detector(name)
    run_one, run_other = made.start(scene), made.start(scene)
    mixed_one, mixed_other = [], []
    for frame_one, frame_other in zip(tiles_one, tiles_other, strict=True):
        mixed_one.append(run_one.score(frame_one))
        mixed_other.append(run_other.score(frame_other))
    for run, mixed, alone in (
        (run_one, mixed_one, alone_one),
        (run_other, mixed_other, alone_other),
    ):
        past = {score.index: score for score in run.retrospect()}
        assert [past.get(score.index, score) for score in mixed] == alone


def test_does_not_write_to_the_tiles(name):
    reader = ArrayReader(lively(80))
    grid, tiles = measured(reader)
    for frame in tiles:
        for array in (frame.mean, frame.abs_diff, frame.sq_diff):
            array.flags.writeable = False
    final(started(name, reader, grid), tiles)


def test_numbering_from_any_frame_gives_the_same_scores(name):
    reader = ArrayReader(lively())
    grid, tiles = measured(reader)
    moved = [replace(frame, index=frame.index + 5000) for frame in tiles]
    here = final(started(name, reader, grid), tiles)
    there = final(started(name, reader, grid), moved)
    np.testing.assert_array_equal(values(here), values(there))
    # Looking back from the first frames of a part may reach further than its beginning.
    assert [s.since + 5000 for s in here[40:]] == [s.since for s in there[40:]]


def noise_tiles(grid, n_frames, random, start=0):
    """Statistics of white noise, drawn without pictures."""
    for index in range(start, start + n_frames):
        draw = random.standard_normal((2, *grid.shape)).astype(np.float32)
        square = 1e-4 * (1 + 0.1 * draw[1])
        yield Tiles(
            index=index,
            mean=0.2 + 1e-3 * draw[0],
            abs_diff=np.sqrt(square),
            sq_diff=square,
            has_previous=index > 0,
        )


def test_state_does_not_grow(name):
    shape = (24, 36)
    info = TakeInfo(path="", name="", shape=shape, bit_depth=8)
    grid = lay_grid(shape)
    run = detector(name).start(Scene(info=info, grid=grid))
    random = np.random.default_rng(4)
    size_at, index = {}, 0
    # The slowest means remember some hundreds of samples of sixteen frames each.
    for stop in (3000, 10_000, 13_000):
        for frame in noise_tiles(grid, stop - index, random, index):
            run.score(frame)
            run.retrospect()
        index = stop
        size_at[stop] = len(pickle.dumps(run))
    assert size_at[3000] < 1_000_000
    assert size_at[13_000] < 1.02 * size_at[10_000]
