"""Mail kept in a folder: whole, readable, and written once however often it is sent."""

from __future__ import annotations

import email
from email.message import EmailMessage
from email.policy import SMTP, default
from pathlib import Path

import pytest

from watcher.domain.errors import Remedy
from watcher.notify.folder import FolderSink
from watcher.notify.mail_error import MailError


def message_of(subject: str, id: str = "<1@firm.example>") -> EmailMessage:
    message = EmailMessage(policy=SMTP)
    message["From"], message["To"], message["Subject"] = "solar@firm.example", "jean@home.example", subject
    message["Date"], message["Message-ID"] = "Tue, 09 Jun 2026 11:21:00 +0100", id
    message.set_content("Lost: £2.30\n", cte="quoted-printable")
    message.add_alternative("<p>Lost: £2.30</p>\n", subtype="html", cte="quoted-printable")
    message.set_boundary("=_1")
    return message


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_message_becomes_three_files_named_by_time_subject_and_id(tmp_path: Path) -> None:
    FolderSink(tmp_path / "mail").send(message_of("12 Elm Road: your solar meter has stopped"))
    stem, *_ = {name.rpartition(".")[0] for name in names(tmp_path / "mail")}
    assert stem.startswith("20260609T102100Z-12-elm-road-your-solar-meter-has-stopped-")
    assert names(tmp_path / "mail") == [f"{stem}.eml", f"{stem}.html", f"{stem}.txt"]
    assert (tmp_path / "mail" / f"{stem}.txt").read_bytes().decode() == "Lost: £2.30\n"
    assert (tmp_path / "mail" / f"{stem}.html").read_bytes().decode() == "<p>Lost: £2.30</p>\n"
    kept = email.message_from_bytes((tmp_path / "mail" / f"{stem}.eml").read_bytes(), policy=default)
    assert kept["Subject"] == "12 Elm Road: your solar meter has stopped"


def test_sent_twice_it_is_there_once_and_the_same(tmp_path: Path) -> None:
    sink = FolderSink(tmp_path)
    sink.send(message_of("One"))
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    sink.send(message_of("One"))
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_two_messages_with_the_same_subject_and_time_are_both_kept(tmp_path: Path) -> None:
    sink = FolderSink(tmp_path)
    sink.send(message_of("One", "<1@firm.example>"))
    sink.send(message_of("One", "<2@firm.example>"))
    assert len(names(tmp_path)) == 6


@pytest.mark.parametrize("subject", ["../../etc/passwd", "/", "Tŷ Gwyn", "a" * 500, ".hidden"])
def test_no_subject_leads_out_of_the_folder(tmp_path: Path, subject: str) -> None:
    FolderSink(tmp_path / "mail").send(message_of(subject))
    assert names(tmp_path) == ["mail"]
    assert len(names(tmp_path / "mail")) == 3
    assert all(name.startswith("20260609T102100Z-") and len(name) < 120 for name in names(tmp_path / "mail"))


def test_a_folder_that_cannot_be_written_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "mail").write_text("a file where the folder should be")
    with pytest.raises(MailError, match=r"mail folder .*mail: File exists") as caught:
        FolderSink(tmp_path / "mail").send(message_of("One"))
    assert caught.value.remedy is Remedy.RETRY
