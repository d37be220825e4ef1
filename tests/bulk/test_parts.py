"""Files of a run are whole under their names or not there, through failures and power cuts."""

import os
import stat
from pathlib import Path

import pytest

from service.bulk.parts import DONE, REFUSED, clear_unfinished, whole_file


def test_a_file_gets_its_name_once_all_of_it_is_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bytes first, then the name, then the folder that holds the name: each synced in this order."""
    path, synced, real = tmp_path / "part", [], os.fsync

    def fsync(handle: int) -> None:
        found = os.fstat(handle)
        what = "folder" if stat.S_ISDIR(found.st_mode) else found.st_size
        synced.append((what, path.exists()))
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    with whole_file(path) as file:
        file.write(b"1234567")
    assert synced == [(7, False), ("folder", True)]
    assert list(tmp_path.iterdir()) == [path]


def test_what_fails_leaves_what_was_there(tmp_path: Path) -> None:
    """The former file, and none half written."""
    path = tmp_path / "part"
    path.write_bytes(b"former")

    def fail() -> None:
        with whole_file(path) as file:
            file.write(b"half")
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert path.read_bytes() == b"former"
    assert list(tmp_path.iterdir()) == [path]


def test_what_a_dead_run_left_is_cleared_and_nothing_else(tmp_path: Path) -> None:
    """Readers of the folder would stumble over a part that was begun."""
    for folder in (tmp_path, tmp_path / DONE, tmp_path / REFUSED):
        folder.mkdir(exist_ok=True)
        with whole_file(folder / "whole") as file:
            (begun,) = folder.glob("whole.*")
            (folder / begun.name.replace("whole", "begun", 1)).write_bytes(b"half")
            file.write(b"all")
    assert len(list(tmp_path.rglob("begun.*"))) == 3
    clear_unfinished(tmp_path)
    assert sorted(path.name for path in tmp_path.rglob("*") if path.is_file()) == ["whole"] * 3
