import pytest

from flashpan.kinds import kind_of
from flashpan.picker import Pick


def pick(sign, stays):
    return Pick(
        onset=5, peak=6, end=7, detector="brightness", strength=9.0, extent=None, chance=0.0,
        sign=sign, stays=stays,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("sign", "stays", "kind"),
    [
        (1.0, False, "flash"),
        (0.9, False, "flash"),
        (-1.0, False, "dimming"),
        (1.0, True, "change"),
        (-1.0, True, "change"),
        (0.0, False, "motion"),
        (0.5, False, "motion"),
        (-0.5, True, "motion"),
        (0.0, True, "motion"),
    ],
)
def test_kind_follows_sign_and_whether_it_stays(sign, stays, kind):
    assert kind_of(pick(sign, stays)) == kind
