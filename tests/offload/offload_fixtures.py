"""An invented card with a take of every kind."""

import cv2
import numpy as np
from trim_fixtures import FLASHES, h264, pictures, video

ROLLS = 'pre-roll = 4\npost-roll = 5\nmerge-gap = 3\ndetectors = ["difference", "brightness"]\n'
RAW = '[take."burst.bin"]\nraw = "64x48:Mono8+16"\n'
KEPT = [(onset - 4, onset + 11) for onset in FLASHES]
"""First and last frame of each trim range."""
HEADER = b"16 bytes of head"
ODD = "#o d'd $x"


def make_card(card):
    """Raw pixels, arrays, Y4M, stills, video of two kinds, one quiet take and a damaged one."""
    shots = pictures()
    (card / "tower").mkdir(parents=True)
    (card / ODD).mkdir()
    (card / "flashpan.toml").write_text(ROLLS + RAW)
    (card / "burst.bin").write_bytes(HEADER + shots.tobytes())
    np.save(card / ODD / "-drop.npy", shots)
    np.save(card / "columns.npy", np.asfortranarray(shots))
    np.save(card / "quiet.npy", pictures(60, flashes=[]))
    with (card / "spark.y4m").open("wb") as file:
        file.write(b"YUV4MPEG2 W64 H48 F25:1 Cmono\n")
        for shot in shots:
            file.write(b"FRAME\n" + shot.tobytes())
    (card / "stills").mkdir()
    for number, shot in enumerate(shots):
        cv2.imwrite(str(card / "stills" / f";s {number:04d}.png"), shot)
    video(card / "tower" / "intra.mov")
    h264(card / "tower" / "long.mp4")
    (card / "bad.mp4").write_bytes(b"\0\0\0\x18ftypisom" + b"x" * 50)
    return card
