"""The watched drop folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.core.errors import StoreError
from pipeline.orchestrate.drop_folder import TRIES, Drop, Watch


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    """A watch over an empty folder."""
    (tmp_path / "drop").mkdir()
    return Watch(tmp_path / "drop", tmp_path / "record.jsonl")


def _deliver(watch: Watch, name: str, text: str) -> Path:
    path = watch.folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def _names(drops: list[Drop]) -> list[str]:
    return [drop.path.name for drop in drops]


def test_a_delivery_is_ready_once_it_stops_changing(watch: Watch) -> None:
    """Nothing is ready at the first sight of it, nor while it grows.

    It is at the first look that finds it unchanged.
    """
    _deliver(watch, "yard/ocpp/a.jsonl", "1\n")
    assert _names(watch.ready()) == []
    _deliver(watch, "yard/ocpp/a.jsonl", "1\n2\n")
    assert _names(watch.ready()) == []
    assert _names(watch.ready()) == ["yard"]


def test_what_was_taken_is_not_taken_again_and_stays(watch: Watch) -> None:
    """A delivery taken is remembered by a new watch (after a restart) and never deleted.

    A file more makes it new.
    """
    _deliver(watch, "yard/a.csv", "x")
    watch.ready()
    for drop in watch.ready():
        watch.note(drop, "taken")
    again = Watch(watch.folder, watch.record)
    again.ready()
    assert _names(again.ready()) == []
    _deliver(watch, "yard/b.csv", "z")
    again.ready()
    assert _names(again.ready()) == ["yard"]
    assert sorted(p.name for p in watch.folder.rglob("*.*")) == ["a.csv", "b.csv"]


def test_a_failing_delivery_is_tried_a_few_times_then_waits_for_a_change(watch: Watch) -> None:
    """A delivery whose run fails does not run for ever; when it is mended it runs again."""
    _deliver(watch, "yard/a.csv", "bad")
    watch.ready()
    tries = 0
    while ready := watch.ready():
        watch.note(ready[0], "failed: no header")
        tries += 1
    assert tries == TRIES
    _deliver(watch, "yard/a.csv", "good now")
    watch.ready()
    assert _names(watch.ready()) == ["yard"]


def test_a_record_cut_off_by_a_crash_is_read_up_to_the_cut(watch: Watch) -> None:
    """A last line without its end counts as not written.

    What stands before it, and what comes after it, still counts.
    """
    _deliver(watch, "yard/a.csv", "x")
    watch.ready()
    watch.note(watch.ready()[0], "taken")
    with watch.record.open("a", encoding="utf-8") as record:
        record.write('{"at": "2026-')
    assert _names(watch.ready()) == []
    _deliver(watch, "depot/a.csv", "x")
    watch.ready()
    watch.note(watch.ready()[0], "taken")
    assert _names(watch.ready()) == []


def test_hidden_empty_and_vanishing_entries_are_left_alone(watch: Watch) -> None:
    """A dot file (a transfer under way) and an empty folder are no delivery.

    A dangling link does not stop the watch.
    """
    _deliver(watch, ".part.csv", "x")
    (watch.folder / "empty").mkdir()
    (watch.folder / "link").symlink_to(watch.folder / "gone")
    watch.ready()
    assert _names(watch.ready()) == []


def test_a_loose_file_is_left_and_noted_once(watch: Watch) -> None:
    """A delivery is a folder.

    A file beside the folders is not run, not touched, and told once in the record.
    """
    _deliver(watch, "loose.csv", "x")
    for _ in range(4):
        assert watch.ready() == []
    assert watch.record.read_text(encoding="utf-8").count("loose.csv") == 1


def test_a_missing_drop_folder_is_named(tmp_path: Path) -> None:
    """Watching a folder that is not there says so."""
    with pytest.raises(StoreError, match="drop folder"):
        Watch(tmp_path / "none", tmp_path / "r").ready()
