"""Older, newer, foreign and broken records: each is opened, upgraded or refused, and never half of it."""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest

from airyoke.quantities import Refused
from airyoke.record.database import open_database
from airyoke.record.forms import make_tables, upgrade
from airyoke.record.record import Record
from airyoke.record.schema import REVISIONS
from record.conftest import NO_RESERVE, Site, start_ward

LONG = os.environ.get("AIRYOKE_LONG") == "1"
KILLS = 200 if LONG else 6
# From Python 3.12 on a fork beside threads is warned of; the children here do their own work and end.
pytestmark = pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
SAMPLES = Path(__file__).parent / "samples"


def refused_id(call: Any, *arguments: Any, **options: Any) -> str:
    with pytest.raises(Refused) as refusal:
        call(*arguments, **options)
    assert all(finding.reason and finding.remedy for finding in refusal.value.findings)
    return refusal.value.findings[0].id


def sample(form: str, path: Path) -> Path:
    """The kept record of that form, as the program of its time wrote it."""
    connection = sqlite3.connect(path)
    connection.executescript((SAMPLES / f"{form}.sql").read_text("utf-8"))
    connection.close()
    return path


def lines(path: Path) -> list[tuple[Any, ...]]:
    with sqlite3.connect(path) as connection:
        return connection.execute("SELECT stream, sequence, hash, line FROM entry ORDER BY 1, 2").fetchall()


@pytest.mark.parametrize("form", REVISIONS)
def test_a_record_of_every_older_form_is_upgraded_with_its_entries_untouched(tmp_path: Path, form: str) -> None:
    path = sample(form, tmp_path / "old.airyoke")
    before = lines(path)
    assert len(before) > 10
    if form != REVISIONS[-1]:
        assert refused_id(Record.open, path) == "record-older"
        assert upgrade(path) == (form, REVISIONS[-1])
    assert lines(path) == before
    with Record.open(path, space=NO_RESERVE) as record:
        assert record.verify() == ()
        assert record.state().beds["1"].patient is not None
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (len(REVISIONS),)
    assert upgrade(path) == (REVISIONS[-1], REVISIONS[-1])


def _upgrade_slowly(path: str, ready: Any) -> None:
    ready.set()
    upgrade(path)


def test_an_upgrade_killed_in_the_middle_leaves_the_old_form_or_the_new_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import alembic.command  # noqa: F401 - loaded before the fork, so that the kill hits the work

    base = sample("0001", tmp_path / "base.airyoke")
    before = lines(base)
    seed = random.SystemRandom().randrange(2**32)
    forms: dict[str, int] = {}
    fork = multiprocessing.get_context("fork")
    shutil.copyfile(base, tmp_path / "timed")
    start = time.perf_counter()
    upgrade(tmp_path / "timed")
    lasts_s = time.perf_counter() - start
    for number in range(KILLS):
        dice = random.Random(number if number % 2 else seed + number)
        path = tmp_path / "one.airyoke"
        for end in ("", "-wal", "-shm", "-journal"):
            Path(f"{path}{end}").unlink(missing_ok=True)
        shutil.copyfile(base, path)
        ready = fork.Event()
        process = fork.Process(target=_upgrade_slowly, args=(str(path), ready))
        process.start()
        ready.wait()
        time.sleep(dice.random() * 1.5 * lasts_s)
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
        process.join()
        with sqlite3.connect(path) as connection:
            (form,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            (number_of_form,) = connection.execute("PRAGMA user_version").fetchone()
            has_accounts = connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'account'").fetchone()[0]
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert form in ("0001", REVISIONS[-1])
        assert (number_of_form, has_accounts) == ((1, 0) if form == "0001" else (len(REVISIONS), 1))
        assert lines(path) == before
        forms[form] = forms.get(form, 0) + 1
    if LONG:
        assert len(forms) == 2, "every kill came too early or too late"
    with capsys.disabled():
        print(f"\n  upgrades killed: {KILLS}, seed {seed}, left in form {forms}, none between")


def test_an_older_program_refuses_a_newer_record_and_does_not_touch_it(place: Site) -> None:
    record = place.create()
    start_ward(record)
    record.close()
    if place.on_server:
        from sqlalchemy import text

        from airyoke.record.database import server_engine

        engine = server_engine(str(place.owner))
        with engine.begin() as connection:
            connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
        engine.dispose()
    else:
        place.sql("UPDATE alembic_version SET version_num = '9999'")
    assert refused_id(place.open) == "record-newer"
    assert refused_id(upgrade, place.owner) == "record-newer"


def test_a_newer_file_is_known_by_its_header_alone(file_place: Site) -> None:
    file_place.create().close()
    file_place.sql("PRAGMA user_version = 99")
    with sqlite3.connect(file_place.where) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    content = Path(file_place.where).read_bytes()
    assert refused_id(file_place.open) == "record-newer"
    assert refused_id(upgrade, file_place.where) == "record-newer"
    assert Path(file_place.where).read_bytes() == content


@pytest.mark.parametrize("what", ["missing", "folder", "empty", "text", "other database", "cut"])
def test_what_is_no_record_is_refused_and_not_touched(tmp_path: Path, what: str) -> None:
    path = tmp_path / "x.airyoke"
    if what == "folder":
        path.mkdir()
    elif what == "other database":
        with sqlite3.connect(path) as connection:
            connection.execute("CREATE TABLE t (x)")
    elif what == "cut":
        make_tables(path)
        path.write_bytes(path.read_bytes()[:8192])
    elif what != "missing":
        path.write_bytes({"empty": b"", "text": b"bed;code\n" * 100}[what])
    before = path.read_bytes() if path.is_file() else None
    found = {refused_id(call, path) for call in (open_database, upgrade)}
    assert found <= {"record-missing", "record-foreign", "record-damaged"}
    assert (path.read_bytes() if path.is_file() else None) == before


def test_a_record_is_never_made_over_something(place: Site) -> None:
    place.create().close()
    assert refused_id(make_tables, place.owner) == "file-exists"
    assert refused_id(place.create) in ("file-exists", "site-there")


@pytest.mark.parametrize("site", ["", "With Space", "ä", "x" * 41, "a/b"])
def test_a_site_has_a_plain_name(file_place: Site, site: str) -> None:
    assert refused_id(file_place.create, site) == "site-form"
    assert not Path(file_place.where).exists()


def test_without_a_name_the_only_site_is_opened_and_of_several_none(file_place: Site) -> None:
    from airyoke.record.setup import add_site

    file_place.create().close()
    Record.open(file_place.where, space=NO_RESERVE).close()
    add_site(file_place.where, "st-two")
    assert refused_id(Record.open, file_place.where) == "site-missing"
