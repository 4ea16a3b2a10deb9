"""Nights of invented takes, and what is held against one another afterwards."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from trim_fixtures import h264, pictures, video

from flashpan.cut.plan import TrimSettings
from flashpan.night.job import Job
from flashpan.night.record import NightRecord
from flashpan.settings import Settings

QUICKLY = Settings.from_mapping({"pre_roll": 4, "post_roll": 5, "merge_gap": 3})
BRIEFLY = replace(QUICKLY, detectors=("difference",))
"""Where it does not matter how well anything is found."""


def job_for(take, dest, folder="take", settings=QUICKLY, **wanted):
    return Job(
        take=str(take),
        dest=str(dest),
        folder=folder,
        settings=settings,
        wanted=TrimSettings(**wanted),
    )


def mixed_takes(folder, n_takes=6, n_frames=120):
    """Videos, stacks and raw pixels, in two folders, two of one name."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "second").mkdir(exist_ok=True)
    makers = (_mov, _npy, _mp4, _tif_stills)
    return [
        makers[number % len(makers)](
            folder / ("second" if number % 2 else ""), number, n_frames, _onsets(number, n_frames)
        )
        for number in range(n_takes)
    ]


def _onsets(number, n_frames):
    return [] if number % 5 == 4 else [50 + number % 7, n_frames - 20 - number % 5]


def shots_of(number, n_frames, onsets):
    shots = pictures(n_frames, onsets)
    shots[:, :2, :] = number * 3  # no two takes are the same
    return shots


def _mov(folder, number, n_frames, onsets):
    return video(folder / f"take {number:02}.mov", shots=shots_of(number, n_frames, onsets))


def _mp4(folder, number, n_frames, onsets):
    return h264(folder / f"täke {number:02}.mp4", shots_of(number, n_frames, onsets))


def _npy(folder, number, n_frames, onsets):
    path = folder / f"take {number:02}.npy"
    np.save(path, shots_of(number, n_frames, onsets))
    return path


def _tif_stills(folder, number, n_frames, onsets):
    import tifffile

    stills = folder / f"stills {number:02}"
    stills.mkdir()
    for frame, shot in enumerate(shots_of(number, n_frames, onsets)):
        tifffile.imwrite(stills / f"shot_{frame:05}.tif", shot)
    return stills


def files_under(folder):
    """Every lasting file of a night with its checksum; of logs what does not vary."""
    return {
        path.relative_to(folder).as_posix(): _content(path)
        for path in sorted(Path(folder).rglob("*"))
        if path.is_file() and not _is_catalog(path)
    }


def content_of(dest):
    """What the catalog of a night says, but for numbers, times and how often was tried."""
    with NightRecord.read(dest) as catalog:
        places = {row.id: row.place for row in catalog.takes()}
        takes = {
            row.place: (
                row.state,
                row.error,
                row.folder,
                row.settings_key,
                row.frames,
                row.identity,
                row.log_name,
            )
            for row in catalog.takes()
        }
        rows = [
            [(places[row.take_id], replace(row, take_id=0)) for row in some]
            for some in (catalog.events(), catalog.ranges(), catalog.clips())
        ]
        assert catalog.faults() == []
    return takes, [sorted(some, key=repr) for some in rows]


def _is_catalog(path):
    """Or the media hash list, which says when it was written."""
    return any(part.startswith(("night.", "ascmhl")) for part in path.parts)


def _content(path):
    if path.name.endswith(".events.json"):
        data = json.loads(path.read_text())
        data["totals"]["seconds"] = 0
        return data
    if path.name.endswith(".sha256"):  # has the log's, which holds its seconds
        return [line for line in path.read_text().splitlines() if "events.json" not in line]
    return hashlib.sha256(path.read_bytes()).hexdigest()
