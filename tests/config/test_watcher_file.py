"""The watcher file: where things are, who is told, and secrets that stay out of sight."""

from __future__ import annotations

import logging
import pickle
from pathlib import Path

import pytest

from watcher.config import Secret, Security, check, listing, load_watcher
from watcher.domain.errors import SetupError

GOOD = """\
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "Firm <solar@example.org>"
host = "mail.example.org"
user = "solar"
password_file = "mail-password"
[operator]
email = "operator@example.org"
[firm]
name = "Firm"
phone = "01632 960 017"
[worker]
resident = true
evaluate_every_s = 300
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a good watcher file, its password, and no site."""
    (tmp_path / "sites").mkdir()
    (tmp_path / "watcher.toml").write_text(GOOD)
    write_password(tmp_path, "S3cr3t!x\n")
    return tmp_path


def write_password(folder: Path, text: str, mode: int = 0o600) -> None:
    path = folder / "mail-password"
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)


def told(folder: Path, text: str = GOOD, environment: dict[str, str] | None = None) -> str:
    (folder / "watcher.toml").write_text(text)
    with pytest.raises(SetupError) as error:
        load_watcher(folder / "watcher.toml", environment or {})
    return str(error.value)


def test_paths_are_meant_from_the_files_own_folder(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir("/")
    config = load_watcher(folder / "watcher.toml", {})
    assert (config.data_folder, config.sites_folder) == (folder / "data", folder / "sites")
    assert (config.worker.resident, config.worker.evaluate_every_s) == (True, 300.0)
    assert (config.operator_email, config.firm.name, config.firm.sender) == (
        "operator@example.org",
        "Firm",
        "Firm <solar@example.org>",
    )
    assert config.warnings == ()


@pytest.mark.parametrize(
    ("security", "port"),
    [("starttls", 587), ("tls", 465)],
)
def test_the_port_follows_from_the_security(folder: Path, security: str, port: int) -> None:
    text = GOOD.replace("[operator]", f'security = "{security}"\n[operator]')
    (folder / "watcher.toml").write_text(text)
    server = load_watcher(folder / "watcher.toml", {}).mail.server
    assert server is not None
    assert (server.security, server.port) == (Security(security), port)
    assert server.password is not None
    assert server.password.reveal() == "S3cr3t!x"


def test_a_secret_shows_itself_nowhere(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    config = load_watcher(folder / "watcher.toml", {})
    logging.getLogger("watcher").warning("config %s %r", config, config)
    assert config.mail.server is not None
    secret = config.mail.server.password
    told_everywhere = [caplog.text, repr(config), str(config), f"{secret}", repr(secret)]
    assert "<secret>" in caplog.text
    assert not [text for text in told_everywhere if "S3cr3t" in text]
    with pytest.raises(TypeError):
        pickle.dumps(secret)


def test_a_password_may_come_from_the_environment(folder: Path) -> None:
    text = GOOD.replace('password_file = "mail-password"', 'password_env = "MAIL_PASSWORD"')
    assert 'mail.password_env = "MAIL_PASSWORD": no such variable in the environment' in told(folder, text)
    server = load_watcher(folder / "watcher.toml", {"MAIL_PASSWORD": "S3cr3t!x"}).mail.server
    assert server is not None
    assert isinstance(server.password, Secret)


@pytest.mark.parametrize(
    ("mode", "warned", "refused"),
    [(0o600, False, False), (0o400, False, False), (0o640, True, False), (0o644, True, False), (0o666, False, True)],
)
def test_a_password_file_that_others_may_read_is_warned_of_and_one_they_may_write_refused(
    folder: Path, mode: int, warned: bool, refused: bool
) -> None:
    write_password(folder, "S3cr3t!x", mode)
    if refused:
        assert "everybody on this machine may change it; chmod 600" in told(folder)
        return
    warnings = load_watcher(folder / "watcher.toml", {}).warnings
    assert [warning.key for warning in warnings] == (["mail.password_file"] if warned else [])
    assert all("chmod 600" in str(warning) for warning in warnings)


@pytest.mark.parametrize(
    ("password", "expected"),
    [
        ("", "there is nothing in it"),
        (" \n", "there is nothing in it"),
        ("Pa\u00df\u00e4word", "a letter or sign that a mail login cannot carry; plain ASCII only"),
        ("one\ntwo", "must be one line"),
    ],
)
def test_a_password_that_cannot_be_sent_is_refused_without_repeating_it(
    folder: Path, password: str, expected: str
) -> None:
    write_password(folder, password)
    message = told(folder)
    assert 'watcher.toml:7: mail.password_file = "mail-password": ' in message
    assert expected in message
    assert not password.strip() or password.strip() not in message


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('password_file = "mail-password"\n', "", "mail.password: missing; the user has one: give password_file"),
        ('user = "solar"\n', "", "mail.user: missing; the password has no user"),
        ('user = "solar"', 'user = "sol\u00e4r"', "plain ASCII letters"),
        ("mail-password", "no-such-file", 'mail.password_file = "no-such-file": no such file'),
        ("[operator]", 'password_env = "P"\n[operator]', "password_file stands here too; keep one of the two"),
        ("[operator]", 'security = "none"\n[operator]', "would send the password readable to all"),
        ("[operator]", 'security = "ssl"\n[operator]', 'must be one of "starttls", "tls", "none"'),
        ("[operator]", "port = 0\n[operator]", "mail.port = 0: must be a whole number, 1 to 65535"),
        ("evaluate_every_s = 300", "evaluate_every_s = 5", "worker.evaluate_every_s = 5: must be 60 to"),
        ("sites_folder", "site_folder", "site_folder: unknown key, did you mean sites_folder?"),
        ('[operator]\nemail = "operator@example.org"\n', "", "operator: missing; must be a table"),
        ("Firm <solar@example.org>", "Firm <solar>", "mail.sender"),
    ],
)  # fmt: skip
def test_a_fault_of_the_watcher_file_is_one_problem(folder: Path, old: str, new: str, expected: str) -> None:
    assert old in GOOD
    message = told(folder, GOOD.replace(old, new, 1))
    assert message.startswith("1 problem\n"), message
    assert expected in message


@pytest.mark.parametrize("written", ['password = "S3cr3t!x"', "password = S3cr3t!x", 'password = "S3cr3t!x'])
def test_a_password_in_the_file_is_refused_and_never_repeated(folder: Path, written: str) -> None:
    message = told(folder, GOOD.replace('password_file = "mail-password"', written))
    assert message.startswith("1 problem\n"), message
    assert "watcher.toml:7: " in message
    assert "S3cr3t" not in message


def test_mail_needs_a_server_or_a_folder(folder: Path) -> None:
    silent = GOOD.replace('host = "mail.example.org"\nuser = "solar"\npassword_file = "mail-password"\n', "")
    assert "mail: host, folder or both must be there, or nobody hears of anything" in told(folder, silent)
    (folder / "watcher.toml").write_text(silent.replace("[operator]", 'folder = "mails"\n[operator]'))
    mail = load_watcher(folder / "watcher.toml", {}).mail
    assert (mail.server, mail.folder) == (None, folder / "mails")


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "watcher.toml: the file is empty; nothing can be watched by it"),
        (b"# nothing yet\n", "watcher.toml: the file is empty"),
        (b"data_folder = \"d\xb0\"\n", "watcher.toml:1: data_folder = \"d\u00b0\": byte 0xb0 is not UTF-8"),
        (b"\xff\xfed\x00a\x00", "is not UTF-8; save the file with the encoding UTF-8"),
        (GOOD.encode()[:40], "the file ends in the middle of this; was it only half written?"),
    ],
)  # fmt: skip
def test_an_empty_or_unreadable_watcher_file_refuses_the_start(folder: Path, content: bytes, expected: str) -> None:
    (folder / "watcher.toml").write_bytes(content)
    with pytest.raises(SetupError) as error:
        load_watcher(folder / "watcher.toml", {})
    assert expected in str(error.value)


def test_a_watcher_file_that_is_not_there_or_is_a_folder_refuses_the_start(folder: Path) -> None:
    for path, expected in [(folder / "other.toml", "no such file"), (folder / "sites", "not an ordinary file")]:
        with pytest.raises(SetupError, match=expected):
            load_watcher(path, {})


def test_the_check_lists_the_watcher_file_and_the_sites_together(folder: Path) -> None:
    (folder / "watcher.toml").write_text(GOOD.replace("resident = true", 'resident = "yes"'))
    (folder / "sites" / "home-17.toml").write_text('[site]\nname = "Home"\nserial = 0012\n')
    assert listing(check(folder / "watcher.toml", {})) == (
        f"{folder}/watcher.toml: 1 problem\n"
        '  line 14: worker.resident = "yes": must be true or false, without quotes\n'
        f"{folder}/sites/home-17.toml: 1 problem\n"
        "  line 3: serial = 0012: a number does not begin with 0; where the zeros count, it is text: "
        'put it in quotes, serial = "0012"'
    )


def test_no_site_at_all_is_a_problem(folder: Path) -> None:
    assert [str(problem) for problem in check(folder / "watcher.toml", {})] == [
        f"{folder}/sites: no site file (NAME.toml) in here"
    ]
    (folder / "sites").rmdir()
    assert [str(problem) for problem in check(folder / "watcher.toml", {})] == [
        f"{folder}/sites: no such folder, so there are no sites"
    ]
