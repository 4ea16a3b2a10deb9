import errno
import os
import signal
import stat
import subprocess
import sys
import threading

import pytest

from flashpan import atomic
from flashpan.atomic import new_file, new_folder, together, write_bytes, write_text
from flashpan.errors import TakeError


def test_writes_text_and_bytes_and_leaves_nothing_else(tmp_path):
    assert write_text(tmp_path / "a.txt", "µs").read_bytes() == "µs".encode()
    assert write_bytes(tmp_path / "b.bin", b"\x00").read_bytes() == b"\x00"
    assert sorted(os.listdir(tmp_path)) == ["a.txt", "b.bin"]


def test_refuses_to_overwrite_unless_asked(tmp_path):
    path = write_text(tmp_path / "a.txt", "old")
    with pytest.raises(TakeError, match=r"a\.txt exists already; give --overwrite"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert write_text(path, "new", overwrite=True).read_text() == "new"


def test_a_block_that_raises_leaves_the_old_file(tmp_path):
    path = write_text(tmp_path / "a.txt", "old")

    def half():
        with new_file(path, overwrite=True) as part:
            part.write_text("half")
            raise RuntimeError("killed")

    with pytest.raises(RuntimeError, match="killed"):
        half()
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_nothing_under_the_final_name_before_it_is_whole(tmp_path):
    path = tmp_path / "clip.mkv"
    with new_file(path) as part:
        part.write_bytes(b"1")
        assert not path.exists()
        assert part.parent == tmp_path
        assert part.suffix == ".mkv"  # writers choose a container by it
    assert path.read_bytes() == b"1"


def test_a_file_that_came_up_meanwhile_is_not_replaced(tmp_path):
    path = tmp_path / "a.txt"

    def race():
        with new_file(path) as part:
            part.write_text("mine")
            path.write_text("theirs")

    with pytest.raises(TakeError, match="exists already"):
        race()
    assert path.read_text() == "theirs"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_of_many_writers_one_wins(tmp_path):
    outcomes = []

    def write(number):
        try:
            write_text(tmp_path / "a.txt", str(number) * 1000)
            outcomes.append(number)
        except TakeError:
            pass

    threads = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(outcomes) == 1
    assert (tmp_path / "a.txt").read_text() == str(outcomes[0]) * 1000


def test_permissions_follow_the_umask(tmp_path):
    ordinary = tmp_path / "ordinary"
    ordinary.touch()
    written = write_text(tmp_path / "a.txt", "x")
    assert stat.S_IMODE(written.stat().st_mode) == stat.S_IMODE(ordinary.stat().st_mode)


@pytest.mark.parametrize("number", [errno.EPERM, errno.ENOTSUP])
def test_file_systems_without_hard_links(tmp_path, monkeypatch, number):
    def refuse(source, destination, **_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "link", refuse)
    path = write_text(tmp_path / "a.txt", "x")
    assert path.read_text() == "x"
    with pytest.raises(TakeError, match="exists already"):
        write_text(path, "y")


def fail_folder_sync(monkeypatch, number):
    real = os.fsync

    def fsync(descriptor):
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(number, os.strerror(number))
        real(descriptor)

    monkeypatch.setattr(atomic.os, "fsync", fsync)


@pytest.mark.parametrize("number", [errno.EINVAL, errno.EBADF, errno.ENOTSUP, errno.ENOSYS])
def test_mounts_that_cannot_sync_a_folder_are_let_off(tmp_path, monkeypatch, number):
    fail_folder_sync(monkeypatch, number)
    assert write_text(tmp_path / "a.txt", "x").read_text() == "x"


def test_any_other_failure_of_the_folder_counts(tmp_path, monkeypatch):
    fail_folder_sync(monkeypatch, errno.EIO)
    with pytest.raises(TakeError, match=r"a\.txt: cannot be written"):
        write_text(tmp_path / "a.txt", "x")
    assert os.listdir(tmp_path) == []  # so that the same command can be run again


def test_a_full_disk_is_one_line_with_the_cure(tmp_path, monkeypatch):
    def full(descriptor):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(atomic.os, "fsync", full)
    with pytest.raises(TakeError, match=r"a\.txt: cannot be written \(No space.*free some space"):
        write_text(tmp_path / "a.txt", "x")
    assert os.listdir(tmp_path) == []


def test_a_missing_folder_is_one_line(tmp_path):
    with pytest.raises(TakeError, match=r"cannot be written \(No such file"):
        write_text(tmp_path / "none" / "a.txt", "x")


class TestNewFolder:
    def fill(self, path, text="x", **how):
        with new_folder(path, **how) as part:
            (part / "1.txt").write_text(text)
            (part / "2.txt").write_text(text)
        return path

    def test_is_there_when_whole_and_nothing_else_is(self, tmp_path):
        with new_folder(tmp_path / "clip") as part:
            (part / "1.txt").write_text("x")
            assert part.parent == tmp_path
            assert not (tmp_path / "clip").exists()
        assert os.listdir(tmp_path) == ["clip"]
        assert os.listdir(tmp_path / "clip") == ["1.txt"]

    def test_a_block_that_raises_leaves_what_was_there(self, tmp_path):
        self.fill(tmp_path / "clip", "old")

        def half():
            with new_folder(tmp_path / "clip", overwrite=True) as part:
                (part / "1.txt").write_text("half")
                raise RuntimeError("killed")

        with pytest.raises(RuntimeError, match="killed"):
            half()
        assert os.listdir(tmp_path) == ["clip"]
        assert (tmp_path / "clip" / "2.txt").read_text() == "old"

    def test_refuses_to_overwrite_unless_asked(self, tmp_path):
        self.fill(tmp_path / "clip", "old")
        with pytest.raises(TakeError, match="clip exists already; give --overwrite"):
            self.fill(tmp_path / "clip", "new")
        self.fill(tmp_path / "clip", "new", overwrite=True)
        assert (tmp_path / "clip" / "1.txt").read_text() == "new"
        assert os.listdir(tmp_path) == ["clip"]

    def test_an_empty_folder_that_came_up_meanwhile_is_not_replaced(self, tmp_path):
        def race():
            with new_folder(tmp_path / "clip"):
                (tmp_path / "clip").mkdir()

        with pytest.raises(TakeError, match="exists already"):
            race()
        assert os.listdir(tmp_path) == ["clip"]

    def test_a_link_in_its_place_is_replaced_and_not_followed(self, tmp_path):
        (tmp_path / "else").mkdir()
        (tmp_path / "clip").symlink_to(tmp_path / "else")
        self.fill(tmp_path / "clip", overwrite=True)
        assert not (tmp_path / "clip").is_symlink()
        assert os.listdir(tmp_path / "else") == []

    def test_a_full_disk_is_one_line_with_the_cure(self, tmp_path, monkeypatch):
        def full(descriptor):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(atomic.os, "fsync", full)
        with pytest.raises(TakeError, match=r"clip: cannot be written \(No space.*free some"):
            self.fill(tmp_path / "clip")
        assert os.listdir(tmp_path) == []

    def test_a_name_that_the_disk_cannot_keep_goes_again(self, tmp_path, monkeypatch):
        real = atomic.sync_folder

        def full(folder):
            if folder == tmp_path:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            real(folder)

        with monkeypatch.context() as patch:
            patch.setattr(atomic, "sync_folder", full)
            with pytest.raises(TakeError, match="clip: cannot be written"):
                self.fill(tmp_path / "clip")
        assert os.listdir(tmp_path) == []
        assert sorted(os.listdir(self.fill(tmp_path / "clip"))) == ["1.txt", "2.txt"]


def write_page_and_plot(folder, **how):
    with together(**how) as write:
        write(folder / "page", b"new")
        write(folder / "plot", b"new")


def test_of_files_that_belong_together_none_stays_where_one_fails(tmp_path):
    (tmp_path / "plot").write_text("old")
    with pytest.raises(TakeError, match="plot exists already"):
        write_page_and_plot(tmp_path)
    assert os.listdir(tmp_path) == ["plot"]
    assert (tmp_path / "plot").read_text() == "old"


def test_of_files_that_belong_together_those_that_replace_stay(tmp_path):
    (tmp_path / "page").write_text("old")
    (tmp_path / "plot").mkdir()
    with pytest.raises(TakeError, match="plot: cannot be written"):
        write_page_and_plot(tmp_path, overwrite=True)
    assert (tmp_path / "page").read_text() == "new"


@pytest.mark.parametrize("overwrite", [False, True])
def test_killed_while_filling_a_folder(tmp_path, overwrite):
    if overwrite:
        (tmp_path / "clip").mkdir()
        (tmp_path / "clip" / "1.txt").write_text("old")
    program = (
        "import os, signal, sys\n"
        "from flashpan.atomic import new_folder\n"
        f"with new_folder(sys.argv[1], overwrite={overwrite}) as part:\n"
        "    (part / '1.txt').write_text('half')\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    run = subprocess.run([sys.executable, "-c", program, tmp_path / "clip"])
    assert run.returncode == -signal.SIGKILL
    seen = [name for name in os.listdir(tmp_path) if not name.startswith(".flashpan-")]
    assert seen == (["clip"] if overwrite else [])
    if overwrite:
        assert (tmp_path / "clip" / "1.txt").read_text() == "old"


def test_a_file_too_large_for_the_disk_says_so(tmp_path, monkeypatch):
    def too_large(descriptor):
        raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))

    monkeypatch.setattr(atomic.os, "fsync", too_large)
    with pytest.raises(TakeError, match="the disk's format takes no file this large"):
        write_text(tmp_path / "a.txt", "x")
