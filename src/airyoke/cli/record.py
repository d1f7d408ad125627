"""`airyoke record …`: what keeps a record whole."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from airyoke.cli.findings_page import findings_part
from airyoke.cli.page import page_for_stdout, print_page
from airyoke.cli.run import EXIT_DONE, EXIT_NOT_SOLVED
from airyoke.cli.wards import account, note_export, note_reading, open_to_read
from airyoke.contract.record_answer import EntryAnswer, RecordAnswer
from airyoke.quantities import Finding, Refused
from airyoke.record.backup import back_up, backup_finding
from airyoke.record.backup import restore as restore_backup
from airyoke.record.chain import Head
from airyoke.record.database import is_server
from airyoke.record.faults import told
from airyoke.record.forms import upgrade as upgrade_form
from airyoke.record.record import STREAMS, Record
from airyoke.record.transfer import copy_site


def answer(did: str, words: Sequence[str], record: Record, *, as_json: bool, findings: Sequence[Finding] = (),
           **more: Any) -> int:  # fmt: skip
    """Print what was done. 1 where a finding refuses, else 0."""
    heads = [str(record.head(stream)) for stream in STREAMS]
    if as_json:
        found = RecordAnswer.findings_of(findings)
        body = RecordAnswer(did=did, record=record.database.name, site=record.site, heads=heads, findings=found, **more)
        print(body.json_text())
    else:
        page = page_for_stdout()
        for line in words:
            page.text(line)
        for head in heads:
            page.text(f"head {head}")
        findings_part(page, findings)
        print_page(page)
    return EXIT_NOT_SOLVED if any(finding.level == "refused" for finding in findings) else EXIT_DONE


def create_command(where: str, site: str, keeper: str, *, title: str | None, unlocked: bool,
                   password_file: Path | None, as_json: bool) -> int:  # fmt: skip
    """A new record and its keeper: the password is asked before anything is made."""
    from airyoke.cli.record_people import new_password
    from airyoke.record.passwords import check_strength
    from airyoke.record.people import add_person
    from airyoke.record.setup import create

    password = new_password(keeper, password_file)
    check_strength(password, keeper, site)
    with create(where, site, title=title, unlocked=unlocked) as record:
        add_person(record, keeper, ["keeper"], password, by=keeper)
        words = [f"The record of {site} is in {record.database.name}; its keeper is {keeper}."]
        if unlocked:
            words.append("It is unlocked: whoever is at this computer may write, and no password proves who it was.")
        return answer("create", words, record, as_json=as_json)


def status_command(where: str, site: str | None, *, as_json: bool) -> int:
    """How the record is."""
    with open_to_read(where, site) as record:
        findings = list(record.findings())
        if (old := backup_finding(record, datetime.now().astimezone())) is not None:
            findings.append(old)
        words = [f"Record {record.database.name}, site {record.site}, {record.state().sequence} entries."]
        return answer("status", words, record, as_json=as_json, findings=findings)


def verify_command(where: str, site: str | None, heads: Sequence[str], file: Path | None, *, as_json: bool) -> int:
    """Everything that can be checked, against heads that were kept."""
    known = [Head.read(text) for text in heads]
    if file is not None:
        with told(file.name):
            lines = file.read_text("utf-8", errors="replace").splitlines()
        known += [Head.read(line) for line in lines if line.strip()]
    with Record.open(where, site=site, read_only=True) as record:
        findings = record.verify(known)
        count = sum(record.head(stream).sequence for stream in STREAMS)
        no_head = "; no kept head was given, so a cut end would not show"
        kept = f", against {len(known)} kept heads" if known else no_head
        words = [f"{count} entries verified{kept}: {'all holds' if not findings else 'NOT what was written'}."]
        return answer("verify", words, record, as_json=as_json, findings=findings)


def head_command(where: str, site: str | None, append: Path | None, *, as_json: bool) -> int:
    """The ends of both chains, also to a file elsewhere."""
    with Record.open(where, site=site, read_only=True) as record:
        if append is not None:
            with told(append.name), append.open("a", encoding="ascii", newline="\n") as file:
                file.writelines(f"{record.head(stream)}\n" for stream in STREAMS)
        return answer("head", [], record, as_json=as_json, path=None if append is None else str(append))


def backup_command(folder: Path, where: str, site: str | None, *, as_json: bool) -> int:
    """A verified copy."""
    with Record.open(where, site=site) as record:
        written = back_up(record, folder, person=account())
        words = [f"Backup {written.path}", f"verified, {written.entries} entries, SHA-256 {written.sha256}"]
        if not written.noted:
            words.append("The record takes no entry now (status says why), so the backup is not noted in it.")
        return answer("backup", words, record, as_json=as_json, path=str(written.path), sha256=written.sha256)


def restore_command(backup: Path, where: str, *, as_json: bool) -> int:
    """A record from a backup."""
    heads = restore_backup(backup, where)
    site = None
    if is_server(where):
        from airyoke.record.backup import sites_of

        (site,) = sites_of(backup)
    with Record.open(where, site=site) as record:
        words = [f"Restored and verified: {sum(head.sequence for head in heads)} entries in {record.database.name}."]
        return answer("restore", words, record, as_json=as_json)


def upgrade_command(where: str, *, as_json: bool) -> int:
    """Bring a record to the present form."""
    before, now = upgrade_form(where)
    words = f"The record had form {before} and has form {now}." if before != now else f"The record has form {now}."
    if as_json:
        print(RecordAnswer(did="upgrade", record=where.rsplit("@", 1)[-1], site=None).json_text())
    else:
        print(words)
    return EXIT_DONE


def copy_command(where: str, to: str, site: str | None, *, as_json: bool) -> int:
    """A whole site elsewhere."""
    with Record.open(where, site=site) as record:
        heads = copy_site(record, to)
        count = sum(head.sequence for head in heads)
        note_export(record, {"what": f"copy of the site to {to.rsplit('@', 1)[-1]}", "entries": count})
        words = [f"{count} entries and the accounts of {record.site} copied and compared."]
        return answer("copy", words, record, as_json=as_json, path=to.rsplit("@", 1)[-1])


def entries_command(where: str, site: str | None, last: int, *, audit: bool, as_json: bool) -> int:
    """The last entries."""
    with open_to_read(where, site) as record:
        stream = STREAMS[audit]
        end = record.head(stream).sequence
        found = record.entries(max(1, end - last + 1), stream=stream)
        if not audit:
            note_reading(record, f"the last {len(found)} entries")
        if as_json:
            return answer("entries", [], record, as_json=True, entries=[EntryAnswer.of(entry) for entry in found])
        page = page_for_stdout()
        for entry in found:
            when = f"{entry.local[:10]} {entry.local[11:19]} {entry.zone}"
            page.text(f"{entry.sequence}  {when}  {entry.person} at {entry.device}: {entry.kind}", style="strong")
            page.text(_content_words(entry.content) or "-", 4)
            page.text(f"id {entry.id}", 4, style="quiet")
        print_page(page)
        return EXIT_DONE


def _content_words(content: Any) -> str:
    return ", ".join(f"{name} {value}" for name, value in content.items())


def space_command(where: str, *, release: bool, as_json: bool) -> int:
    """The reserve beside the record."""
    from airyoke.record.space import SpaceRules, free_bytes, keep_reserve, release_reserve

    if is_server(where):
        raise Refused((Finding("space-server", "refused", "the disk of a server is not seen from here", "look there"),))
    path = Path(where)
    with told(path.name):
        if release:
            freed = release_reserve(path)
            words = f"{freed // 2**20} MiB given back."
        else:
            there = keep_reserve(path, SpaceRules())
            words = "The reserve is in place." if there else "There is no room for the reserve now."
        text = f"{words} {free_bytes(path) // 2**20} MiB are free."
    if as_json:
        print(RecordAnswer(did="space", record=path.name, site=None).json_text())
    else:
        print(text, file=sys.stdout)
    return EXIT_DONE
