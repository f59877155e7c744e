"""Secrets are read from files nobody else can read, and never show up in a message."""

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon.errors import ConfigError, SecretAbsent, SecretOutOfReach
from daemon.secret_files import SECRET_MOST, read_secret

SECRET = "correct horse battery staple"
NOBODY = 65534


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "secrets"
    made.mkdir(mode=0o700)
    return made


def put(folder: Path, data: bytes = SECRET.encode() + b"\n", mode: int = 0o600) -> Path:
    path = folder / "mail-password"
    path.write_bytes(data)
    path.chmod(mode)
    return path


@contextmanager
def unprivileged() -> Iterator[None]:
    """Run as a user who owns nothing, as root may read everything and would prove nothing."""
    if os.geteuid() != 0:
        yield
        return
    groups = os.getgroups()
    os.setgroups([])
    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        assert os.geteuid() == NOBODY
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
        os.setgroups(groups)


def refusal(folder: Path, name: str = "mail-password") -> str:
    with pytest.raises(ConfigError) as caught:
        read_secret(folder, name, env={})
    text = str(caught.value)
    assert SECRET not in text
    assert len(caught.value.mistakes) == 1
    return text


def test_a_private_file_gives_its_line(folder: Path) -> None:
    put(folder)
    assert read_secret(folder, "mail-password", env={}) == SECRET


@pytest.mark.parametrize("data", [b"x", b"x\n", b"x\r\n"])
def test_one_line_end_is_not_part_of_the_secret(folder: Path, data: bytes) -> None:
    put(folder, data)
    assert read_secret(folder, "mail-password", env={}) == "x"


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o660, 0o601, 0o777])
def test_a_file_others_can_use_is_refused(folder: Path, mode: int) -> None:
    put(folder, mode=mode)
    assert "lets others read it: chmod 0600" in refusal(folder)


def test_the_service_managers_own_folder_decides_for_itself(folder: Path) -> None:
    put(folder, mode=0o440)
    assert read_secret(folder, "mail-password", env={"CREDENTIALS_DIRECTORY": str(folder)}) == SECRET
    assert "lets others" in refusal(folder)


def test_a_folder_others_can_write_to_is_refused(folder: Path) -> None:
    put(folder)
    folder.chmod(0o777)
    assert "lets others put files here" in refusal(folder)


NO_NAMES = ["", ".", "..", "../x", "/etc/passwd", "a/b", ".hidden", "a b", "a\nb", "x" * 65, "a\0b"]


@pytest.mark.parametrize("name", NO_NAMES)
def test_only_a_plain_name_is_taken(folder: Path, name: str) -> None:
    assert "plain file name" in refusal(folder, name)


def link_out(folder: Path) -> None:
    outside = folder.parent / "outside"
    outside.write_text(SECRET)
    outside.chmod(0o600)
    (folder / "mail-password").symlink_to(outside)


def pipe(folder: Path) -> None:
    os.mkfifo(folder / "mail-password", 0o600)


CASES: list[tuple[str, Callable[[Path], object], str]] = [
    ("missing", lambda folder: None, "does not exist"),
    ("link", link_out, "is a link"),
    ("pipe", pipe, "is not a plain file"),
    ("folder", lambda folder: (folder / "mail-password").mkdir(mode=0o700), "is not a plain file"),
    ("empty", lambda folder: put(folder, b""), "is empty"),
    ("blank", lambda folder: put(folder, b"  \n"), "is empty"),
    ("two lines", lambda folder: put(folder, SECRET.encode() + b"\nmore\n"), "more than one line"),
    ("line end first", lambda folder: put(folder, b"\n" + SECRET.encode()), "more than one line"),
    ("nul", lambda folder: put(folder, SECRET.encode() + b"\0"), "control characters"),
    ("not utf-8", lambda folder: put(folder, b"\xff\xfe" + SECRET.encode()), "not UTF-8"),
    ("huge", lambda folder: put(folder, b"x" * (SECRET_MOST + 1)), "longer than"),
]


@pytest.mark.parametrize(("spoil", "words"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_each_unfit_file_is_refused_with_its_reason(folder: Path, spoil: Callable[[Path], object], words: str) -> None:
    spoil(folder)
    assert words in refusal(folder)


def test_a_file_of_another_user_cant_be_read_and_says_so() -> None:
    with tempfile.TemporaryDirectory() as made:  # the folders of pytest are closed to others
        folder = Path(made)
        folder.chmod(0o755)
        path = put(folder)
        if os.geteuid() != 0:
            path.chmod(0)
        with unprivileged():
            assert os.geteuid() != 0
            assert "can't be read by this user" in refusal(folder)


def test_what_is_absent_and_what_is_out_of_reach_can_be_told_apart(folder: Path) -> None:
    with pytest.raises(SecretAbsent):
        read_secret(folder, "mail-password", env={})
    with pytest.raises(SecretAbsent):
        read_secret(folder / "gone", "mail-password", env={})
    put(folder)
    if os.geteuid() != 0:
        folder.chmod(0)
    with unprivileged(), pytest.raises(SecretOutOfReach):
        read_secret(folder, "mail-password", env={})
    folder.chmod(0o700)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_a_file_given_to_another_user_is_refused(folder: Path) -> None:
    os.chown(put(folder), NOBODY, NOBODY)
    assert "belongs to another user" in refusal(folder)
