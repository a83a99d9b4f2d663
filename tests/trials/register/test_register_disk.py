"""Disks that are full, limited or gone: nothing is half written, one sentence says so, and the work can be done again."""

import os
import resource
import subprocess
import tempfile
from contextlib import contextmanager, suppress

import pytest
from sqlalchemy import event

from schemas.errors import RegisterError
from trials.register.backup import back_up
from trials.register.store import Register

pytestmark = pytest.mark.homes("sqlite")


@pytest.fixture
def large(batch_of, cells_of):
    """A file whose rows take many pages."""
    return batch_of("large.csv", [(row, "held", cells_of("q9-z", note="x" * 200)) for row in range(2, 402)])


@contextmanager
def files_no_larger_than(size):
    """The system refuses to let any file of this process grow beyond so many bytes."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_file_that_may_grow_no_further_stays_whole_wherever_it_ends(register, trial, path, large, now):
    """Refused at the first page that does not fit, at one in the middle, and at the last one."""
    before = path.read_bytes()
    probe = path.with_name("probe.db")
    probe.write_bytes(before)
    with Register.open(str(probe)) as other:
        other.record_intake(trial, [large], now)
    needed = probe.stat().st_size
    for size in (len(before), len(before) + 4096, (len(before) + needed) // 2 // 512 * 512, needed - 1):
        with (
            files_no_larger_than(size),
            pytest.raises(RegisterError, match=r"The disk that holds .* nothing was changed|is full"),
        ):
            register.record_intake(trial, [large], now)
        with Register.open(str(path)) as again:
            assert again.check() == []
            assert len(again.entries()) == 1
    with files_no_larger_than(needed):
        register.record_intake(trial, [large], now)
    assert register.check() == []


def test_a_full_database_is_said(register, trial, path, large, now):
    pages = path.stat().st_size // 4096

    @event.listens_for(register._home.engine, "connect")
    def limit(connection, _):
        connection.execute(f"PRAGMA max_page_count = {pages + 3}")

    before = path.read_bytes()
    with pytest.raises(
        RegisterError, match=r"The disk that holds .* is full; nothing was changed, make room"
    ):
        register.record_intake(trial, [large], now)
    assert path.read_bytes() == before
    assert register.check() == []


def can_mount():
    """Whether this machine lets the tests have a small disk of their own."""
    if os.geteuid() != 0:
        return False
    with tempfile.TemporaryDirectory() as folder:
        mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", folder]
        mounted = subprocess.run(mount, check=False, capture_output=True).returncode == 0
        if mounted:
            subprocess.run(["umount", folder], check=True)
        return mounted


if can_mount():

    @pytest.fixture
    def small_disk(tmp_path):
        folder = tmp_path / "disk"
        folder.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=640k", "tmpfs", folder], check=True)
        yield folder
        subprocess.run(["umount", folder], check=True)

    def test_a_disk_that_is_full_is_said_and_the_work_is_done_when_there_is_room(
        small_disk, loaded, large, now
    ):
        path = small_disk / "fairtank.db"
        ballast = small_disk / "ballast"
        with Register.open(str(path), create=True) as register:
            trial = register.seal(loaded, now).id
            ballast.write_bytes(b"x" * 300_000)
            with pytest.raises(RegisterError, match=r"The disk that holds .* is full; nothing was changed"):
                register.record_intake(trial, [large], now)
            assert register.check() == []
            with ballast.open("ab", buffering=0) as rest, suppress(OSError):
                while True:
                    rest.write(b"x" * 4096)
            with pytest.raises(RegisterError, match=r"cannot be copied into .* full"):
                back_up(register, small_disk / "copy.db")
            assert [file.name for file in sorted(small_disk.iterdir())] == ["ballast", "fairtank.db"]
            ballast.unlink()
            register.record_intake(trial, [large], now)
            assert register.check() == []

    def test_a_disk_that_turns_read_only_is_read(small_disk, loaded, batch_of, cells_of, now):
        path = small_disk / "fairtank.db"
        batch = batch_of("one.csv", [(2, "accepted", cells_of())])
        with Register.open(str(path), create=True) as register:
            trial = register.seal(loaded, now).id
            subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
            with pytest.raises(
                RegisterError, match=r"cannot be written to; nothing was changed|cannot be opened"
            ):
                register.record_intake(trial, [batch], now)
            subprocess.run(["mount", "-o", "remount,rw", small_disk], check=True)
            register.record_intake(trial, [batch], now)
            assert register.check() == []


def test_a_register_whose_folder_vanishes_is_said_and_not_begun_anew(register, path, batch_of, trial, now):
    hidden = path.parent.with_name("moved")
    path.parent.rename(hidden)
    try:
        for act in (register.trials, lambda: register.record_intake(trial, [batch_of("one.csv", [])], now)):
            with pytest.raises(
                RegisterError, match="cannot be opened; check the rights of the file and of its fold"
            ):
                act()
        assert not path.parent.exists()
    finally:
        hidden.rename(path.parent)
    assert register.check() == []
