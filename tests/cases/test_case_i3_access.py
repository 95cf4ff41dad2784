"""Case I3, line by line: who reaches the pages, what they see, and where passwords are and are not."""

from __future__ import annotations

import logging
import os
import re
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.web.made_pages import PASSWORD, Folder, make_folder
from watcher.cli import main
from watcher.clock import SteppedClock
from watcher.config import load_watcher
from watcher.config.pages_table import PagesConfig
from watcher.domain.errors import SetupError
from watcher.domain.site import Role
from watcher.web.access import FREE_TRIES

SHARED_PASSWORD = "S3cr3t!x-and-longer"


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return make_folder(tmp_path / "watcher")


@pytest.fixture
def known(folder: Folder) -> Folder:
    """With people: an installer, two occupiers, a landlord."""
    folder.add("office", Role.INSTALLER)
    folder.add("ann", Role.OCCUPIER, "home-1")
    folder.add("bob", Role.OCCUPIER, "home-2")
    folder.add("estate", Role.LANDLORD, "home-1")
    return folder


def log_in(client: object, name: str, password: str = PASSWORD) -> int:
    answer = client.post("/login", data={"name": name, "password": password, "next": ""})  # type: ignore[attr-defined]
    return int(answer.status_code)


def form_token(text: str) -> str:
    found = re.search(r'name="form" value="([^"]+)"', text)
    assert found is not None
    return found[1]


def test_case_i3_without_the_table_there_are_no_pages_and_with_it_only_for_this_machine(folder: Folder) -> None:
    assert load_watcher(folder.config).pages == PagesConfig()
    assert PagesConfig().address == "127.0.0.1"
    text = folder.config.read_text(encoding="utf-8")
    folder.config.write_text(text.replace("[pages]", ""), encoding="utf-8")
    assert load_watcher(folder.config).pages is None


def test_case_i3_beyond_this_machine_nothing_is_served_without_a_login(folder: Folder) -> None:
    def with_pages(lines: str) -> None:
        text = folder.config.read_text(encoding="utf-8").partition("[pages]")[0]
        folder.config.write_text(f"{text}[pages]\n{lines}\n", encoding="utf-8")

    with_pages('address = "0.0.0.0"')
    with pytest.raises(SetupError, match="beyond this machine people log in"):
        load_watcher(folder.config)
    with_pages('address = "0.0.0.0"\nopen_without_login = true')
    assert [problem.key for problem in load_watcher(folder.config).warnings] == ["pages.open_without_login"]
    folder.add("office", Role.INSTALLER)
    with_pages('address = "0.0.0.0"')
    (plain,) = load_watcher(folder.config).warnings
    assert "passwords can be read by others on the way" in plain.allowed
    with_pages('address = "0.0.0.0"\nlink = "https://solar.example.org"')
    assert load_watcher(folder.config).warnings == ()


def test_case_i3_a_name_of_somebody_elses_that_leads_here_reads_nothing(folder: Folder) -> None:
    """Where nobody logs in, a page elsewhere could let its own name lead to this machine."""
    with folder.client(host="evil.example.org") as client:
        assert client.get("/home/home-1").status_code == 421
    with folder.client(host="localhost") as client:
        assert client.get("/home/home-1").status_code == 200


def test_case_i3_files_with_secrets_are_for_their_owner_alone_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        folder = make_folder(tmp_path / "watcher")
        folder.add("office", Role.INSTALLER)
        with folder.client():
            pass
        modes = {one.name: stat.S_IMODE(one.stat().st_mode) for one in folder.people.path.parent.iterdir()}
    finally:
        os.umask(before)
    assert modes == {"people.toml": 0o600, "key": 0o600}
    assert PASSWORD not in folder.people.path.read_text(encoding="utf-8")


def test_case_i3_a_readable_file_of_people_is_warned_of_and_a_writable_one_refused(
    known: Folder, caplog: pytest.LogCaptureFixture
) -> None:
    known.people.path.chmod(0o644)
    with caplog.at_level(logging.WARNING), known.client():
        assert "chmod 600" in caplog.text
    known.people.path.chmod(0o666)
    with pytest.raises(SetupError, match="may change it"), known.client():
        pass
    known.people.path.chmod(0o600)
    (known.people.path.parent / "key").chmod(0o640)
    with pytest.raises(SetupError, match="may read it"), known.client():
        pass


def test_case_i3_a_password_is_found_in_no_log_page_file_or_list_of_processes(
    known: Folder, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG), known.client() as client:
        pages = [client.post("/login", data={"name": "office", "password": SHARED_PASSWORD}).text for _ in range(8)]
        pages.append(client.get("/login").text)
    assert not [page for page in pages if SHARED_PASSWORD in page]
    assert SHARED_PASSWORD not in caplog.text
    add = ["people", "--config", str(known.config), "--add", "carl", "--site", "home-1"]
    added = subprocess.run(
        [sys.executable, "-m", "watcher.cli", *add],
        input=f"{SHARED_PASSWORD}\n", capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert SHARED_PASSWORD not in added.stdout + added.stderr
    stored = [one for one in known.path.rglob("*") if one.is_file() and SHARED_PASSWORD.encode() in one.read_bytes()]
    assert stored == []
    with known.client() as client:
        assert log_in(client, "carl", SHARED_PASSWORD) == 303


def test_case_i3_without_a_login_every_page_leads_to_the_login(known: Folder) -> None:
    with known.client() as client:
        for path in ("/", "/home/home-1", "/home/home-1/reading"):
            answer = client.get(path)
            assert (answer.status_code, answer.headers["location"].partition("?")[0]) == (303, "/login")
            assert "Test Lane" not in answer.text
        assert client.get("/home/home-1/display").status_code == 404
        assert client.get("/home/home-1/display?token=made-up").status_code == 404


def test_case_i3_homes_of_others_are_not_there(known: Folder) -> None:
    with known.client() as client:
        assert log_in(client, "ann") == 303
        assert client.get("/").headers["location"] == "/home/home-1"
        own, others, none = (client.get(f"/home/{site}") for site in ("home-1", "home-2", "home-99"))
        assert own.status_code == 200
        assert (others.status_code, others.text) == (404, none.text), "whether it is there is not told either"
        assert "2 Test Lane" not in own.text
        link = re.search(r'href="(/home/home-1/display\?token=[^"]+)"', own.text)
        assert link is not None
        client.cookies.clear()
        assert client.get(link[1]).status_code == 200, "the display needs no login"
        assert client.get(link[1].replace("home-1", "home-2")).status_code == 404, "and shows one home alone"


def test_case_i3_no_path_leads_outside(known: Folder) -> None:
    with known.client() as client:
        log_in(client, "office")
        for path in (
            "/../../etc/passwd", "/home/../../../etc/passwd", "/home/%2e%2e%2f%2e%2e%2fetc%2fpasswd", "/style.css/../x",
            "/home/home-1/reading/..%2f..%2fkey/1",
        ):  # fmt: skip
            answer = client.get(path)
            assert answer.status_code in (303, 404), path
            assert "root:" not in answer.text


def test_case_i3_nothing_is_written_without_the_token_of_the_own_session(known: Folder) -> None:
    with known.client() as client:
        log_in(client, "ann")
        own = form_token(client.get("/home/home-1/reading").text)
        sent = {"meter": "meter-1", "value": "8765.9"}
        assert client.post("/home/home-1/reading", data=sent).status_code == 403
        assert client.post("/home/home-1/reading", data={**sent, "form": "made-up"}).status_code == 403
        client.cookies.clear()
        log_in(client, "bob")
        assert client.post("/home/home-2/reading", data={**sent, "form": own}).status_code == 403, "another's"
        assert client.post("/home/home-1/reading", data={**sent, "form": own}).status_code == 404
        fresh = form_token(client.get("/home/home-2/reading").text)
        for header in ({"Origin": "https://evil.example.org"}, {"Sec-Fetch-Site": "cross-site"}, {"Origin": "null"}):
            answer = client.post("/home/home-2/reading", data={**sent, "form": fresh}, headers=header)
            assert answer.status_code == 403, header
        assert client.post("/home/home-2/reading", data={**sent, "form": fresh}).status_code == 303


def test_case_i3_what_is_too_large_or_without_a_length_is_not_read(known: Folder) -> None:
    with known.client() as client:
        log_in(client, "ann")
        assert client.post("/logout", content=b"x" * 70_000).status_code == 413
        assert client.post("/logout", content=iter([b"x"])).status_code == 411


def test_case_i3_a_password_cannot_be_tried_for_long(known: Folder) -> None:
    clock = SteppedClock(0)
    with known.client(clock) as client:
        tries = [log_in(client, "ann", f"wrong password {number}") for number in range(FREE_TRIES + 3)]
        assert tries == [401] * FREE_TRIES + [429] * 3
        assert log_in(client, "ann") == 429, "nor the right one, or its refusal would tell"
        assert log_in(client, "bob") == 429, "from there, for nobody"


def test_case_i3_a_new_password_or_role_ends_the_sessions_of_before(known: Folder) -> None:
    with known.client() as client:
        log_in(client, "ann")
        assert client.get("/home/home-1").status_code == 200
        known.people.put(replace(known.people.all()["ann"], sites=("home-2",)))
        assert client.get("/home/home-1").status_code == 303
        assert log_in(client, "ann") == 303
        known.people.remove("ann")
        assert client.get("/home/home-2").status_code == 303


def test_case_i3_the_cookie_is_kept_from_scripts_and_other_sites_and_from_open_ways(known: Folder) -> None:
    with known.client() as client:
        said = client.post("/login", data={"name": "ann", "password": PASSWORD}).headers["set-cookie"]
    assert "HttpOnly" in said
    assert "samesite=lax" in said.lower()
    text = known.config.read_text(encoding="utf-8")
    known.config.write_text(text + 'link = "https://solar.example.org"\n', encoding="utf-8")
    with known.client() as client:
        said = client.post("/login", data={"name": "ann", "password": PASSWORD}).headers["set-cookie"]
    assert "Secure" in said


def test_case_i3_after_a_login_nobody_is_sent_elsewhere(known: Folder) -> None:
    with known.client() as client:
        for next in ("https://evil.example.org/", "//evil.example.org", "/\\evil.example.org", "javascript:x"):
            answer = client.post("/login", data={"name": "ann", "password": PASSWORD, "next": next})
            assert answer.headers["location"] == "/"


def test_case_i3_a_landlord_does_not_see_when_somebody_is_at_home(known: Folder) -> None:
    path = known.path / "sites" / "home-1.toml"
    text = path.read_text(encoding="utf-8").replace("ac_limit_w = 3680", 'ac_limit_w = 3680\nstorage = "dc"')
    path.write_text(text, encoding="utf-8")
    with known.client() as client:
        log_in(client, "ann")
        assert "Used in the house" in client.get("/home/home-1").text
        log_in(client, "estate")
        page = client.get("/home/home-1").text
        assert "Used in the house" not in page
        assert "In the battery" not in page


def test_case_i3_every_answer_forbids_scripts_frames_and_copies(known: Folder) -> None:
    with known.client() as client:
        log_in(client, "ann")
        for path in ("/home/home-1", "/login", "/nothing-here"):
            headers = client.get(path).headers
            assert "default-src 'none'" in headers["content-security-policy"]
            assert "frame-ancestors 'none'" in headers["content-security-policy"]
            assert headers["cache-control"] == "no-store"
            assert "server" not in headers


def test_case_i3_people_are_listed_without_their_passwords(known: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["people", "--config", str(known.config)]) == 0
    out = capsys.readouterr().out
    assert "ann: occupier, home-1" in out
    assert "4 may log in" in out
    assert "argon2" not in out
    assert main(["people", "--config", str(known.config), "--add", "Dot Upper", "--site", "home-1"]) == 2
    assert main(["people", "--config", str(known.config), "--add", "dot", "--site", "nowhere"]) == 2
    assert main(["people", "--config", str(known.config), "--remove", "nobody"]) == 2
