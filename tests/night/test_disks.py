"""Which file system a folder is on, by a table of mounts as proc(5) describes it."""

import pytest

from flashpan.night.disks import file_system_of, is_on_network

TABLE = r"""
22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 22 0:40 / /mnt/store rw - nfs4 server:/store rw
31 30 8:17 / /mnt/store/local rw - xfs /dev/sdb1 rw
32 22 0:41 / /mnt/two\040words rw - cifs //server/share rw
33 22 0:42 / /mnt/over rw - nfs server:/a rw
34 33 0:43 / /mnt/over rw - tmpfs tmpfs rw
35 22 0:44 / /mnt/far rw shared:5 master:2 - fuse.sshfs me@host:/ rw
""".lstrip()


@pytest.fixture
def mounts(tmp_path):
    path = tmp_path / "mountinfo"
    path.write_text(TABLE)
    return str(path)


@pytest.mark.parametrize(
    ("folder", "kind", "on_network"),
    [
        ("/home/me", "ext4", False),
        ("/mnt/store", "nfs4", True),
        ("/mnt/store/night/deep", "nfs4", True),
        ("/mnt/storeroom", "ext4", False),
        ("/mnt/store/local/night", "xfs", False),
        ("/mnt/two words/night", "cifs", True),
        ("/mnt/over/night", "tmpfs", False),
        ("/mnt/far/night", "fuse.sshfs", True),
    ],
)
def test_the_innermost_mount_counts(mounts, folder, kind, on_network):
    assert file_system_of(folder, mounts) == kind
    assert is_on_network(folder, mounts) is on_network


def test_no_table(tmp_path):
    assert file_system_of(tmp_path, str(tmp_path / "none")) == ""
    assert not is_on_network(tmp_path, str(tmp_path / "none"))


def test_here():
    assert file_system_of("/proc") == "proc"
