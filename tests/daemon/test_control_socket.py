"""The control socket against its own client, against abuse, and against users who may not use it."""

import asyncio
import grp
import json
import os
import re
import shutil
import socket
import tempfile
import threading
import time
import warnings
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path

import pytest

from daemon.control_client import ask
from daemon.control_messages import REPLY_MAX, REQUEST_MAX, decode, encode
from daemon.control_socket import PATH_MAX, ControlServer
from daemon.errors import HalfmarkError, ServiceError

LIMIT_S = 10.0
STRANGER_ID = 65_533  # a user and group number that owns nothing here
QUESTION: dict[str, object] = {"ask": "status"}


async def echo(request: dict[str, object]) -> dict[str, object]:
    return {"heard": request}


@asynccontextmanager
async def serving(
    path: Path,
    answer: Callable[[dict[str, object]], Awaitable[dict[str, object]]] = echo,
    *,
    group: str | None = None,
    clients_max: int = 16,
    client_s: float = LIMIT_S,
    answer_s: float = LIMIT_S,
) -> AsyncIterator[ControlServer]:
    server = ControlServer(path, answer, group=group, clients_max=clients_max, client_s=client_s, answer_s=answer_s)
    await server.start()
    try:
        yield server
    finally:
        await server.close()


async def asked(path: Path, message: dict[str, object] = QUESTION, limit_s: float = LIMIT_S) -> dict[str, object]:
    return await asyncio.to_thread(ask, path, message, limit_s)


async def spoken(path: Path, words: bytes) -> dict[str, object]:
    """Send raw bytes and hear one line."""
    reader, writer = await asyncio.open_unix_connection(str(path))
    writer.write(words)
    line = await asyncio.wait_for(reader.readline(), LIMIT_S)
    writer.transport.abort()
    return decode(line)


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(LIMIT_S):
        while not true():
            await asyncio.sleep(0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "halfmark.sock"


@contextmanager
def false_service(path: Path, words: bytes, *, hang: bool = False) -> Iterator[None]:
    """Something that listens, takes one request and answers with these bytes; or keeps the line open for good."""
    done = threading.Event()
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(path))
        listener.listen()

        def serve() -> None:
            line, _ = listener.accept()
            with line:
                line.recv(65536)
                with suppress(OSError):
                    line.sendall(words)
                if hang:
                    done.wait(LIMIT_S)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield
        finally:
            done.set()
            thread.join(LIMIT_S)
            assert not thread.is_alive()


# ---- what it is for


def test_a_question_is_answered_with_the_version_and_the_socket_goes_with_the_server(path: Path) -> None:
    async def main() -> None:
        async with serving(path):
            answer = await asked(path, {"ask": "status", "more": ["ä", 1.5, None]})
            assert answer == {"v": 1, "ok": True, "heard": {"v": 1, "ask": "status", "more": ["ä", 1.5, None]}}
            assert path.stat().st_mode & 0o777 == 0o660
            assert [entry.name for entry in path.parent.iterdir()] == [path.name]
        assert not path.exists()

    asyncio.run(main())


def test_one_connection_may_ask_again_and_the_answers_keep_their_order(path: Path) -> None:
    async def main() -> None:
        async with serving(path):
            reader, writer = await asyncio.open_unix_connection(str(path))
            for n in range(3):
                writer.write(encode({"v": 1, "ask": f"{n}"}))
            heard = [decode(await asyncio.wait_for(reader.readline(), LIMIT_S)) for _ in range(3)]
            assert [h["heard"] for h in heard] == [{"v": 1, "ask": f"{n}"} for n in range(3)]
            writer.transport.abort()

    asyncio.run(main())


def test_a_number_that_is_not_finite_is_not_known_to_the_client() -> None:
    line = encode({"v": 1, "a": float("nan"), "b": [1.0, float("inf")], "c": {"d": (float("-inf"), 2)}})
    assert json.loads(line, parse_constant=pytest.fail) == {"v": 1, "a": None, "b": [1.0, None], "c": {"d": [None, 2]}}


# ---- abuse


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (b"\n", "can't be read"),
        (b"status\n", "can't be read"),
        (b"[1]\n", "not a JSON object"),
        (b"\xff\xfe\x00\x01\n", "can't be read"),
        (b"\x00" * 1000 + b"\n", "can't be read"),
        (b"[" * 60_000 + b"\n", "nested too deep"),
        (b'{"v":' + b"9" * 6000 + b',"ask":"status"}\n', "can't be read"),
        (b'{"v":2,"ask":"status"}\n', "speaks version 1 only"),
        (b'{"v":true,"ask":"status"}\n', "speaks version 1 only"),
        (b'{"ask":"status"}\n', "speaks version 1 only"),
        (b'{"v":1}\n', "nothing is asked"),
        (b'{"v":1,"ask":["status"]}\n', "nothing is asked"),
        (b'{"v":1,"ask":"' + b"a" * REQUEST_MAX + b'"}\n', "over 65536 bytes"),
    ],
)
def test_garbage_is_refused_in_words_and_the_next_client_is_served(path: Path, words: bytes, why: str) -> None:
    async def main() -> None:
        async with serving(path):
            answer = await spoken(path, words)
            assert (answer["v"], answer["ok"]) == (1, False)
            assert why in str(answer["why"])
            assert (await asked(path))["ok"] is True

    asyncio.run(main())


def test_a_line_without_end_is_cut_off_and_its_sender_let_go(path: Path) -> None:
    """What a client pushes beyond the limit is never taken in: the line breaks long before a gigabyte."""

    def babble() -> int:
        sent = 0
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line, suppress(OSError):
            line.settimeout(LIMIT_S)
            line.connect(str(path))
            while sent < 1 << 30:
                sent += line.send(b"x" * 65536)
        return sent

    async def main() -> None:
        async with serving(path) as server:
            babbler = asyncio.create_task(asyncio.to_thread(babble))
            assert (await asked(path))["ok"] is True
            assert await babbler < 8 << 20
            await until(lambda: server.clients == 0)

    asyncio.run(main())


def test_clients_that_hang_or_trickle_lose_their_place_and_the_rest_is_served(path: Path) -> None:
    async def main() -> None:
        async with serving(path, clients_max=2, client_s=0.2) as server:
            silent = await asyncio.open_unix_connection(str(path))
            trickle = await asyncio.open_unix_connection(str(path))
            await until(lambda: server.clients == 2)
            with suppress(OSError):
                while server.clients:  # a byte now and then does not buy more time
                    trickle[1].write(b"{")
                    await trickle[1].drain()
                    await asyncio.sleep(0)
            assert (await asked(path))["ok"] is True
            assert await asyncio.wait_for(silent[0].read(), LIMIT_S) == b""
            for _, writer in (silent, trickle):
                writer.transport.abort()

    asyncio.run(main())


def test_a_client_that_asks_and_never_listens_is_let_go(path: Path) -> None:
    async def long_answer(_: dict[str, object]) -> dict[str, object]:
        return {"long": "x" * (REPLY_MAX - 1000)}  # more than a Unix socket takes unread

    async def main() -> None:
        async with serving(path, long_answer, client_s=0.2) as server:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
                line.connect(str(path))
                line.sendall(encode({"v": 1, "ask": "status"}) * 50)
                await until(lambda: server.clients == 1)
                await until(lambda: server.clients == 0)
            assert len(str((await asked(path))["long"])) == REPLY_MAX - 1000

    asyncio.run(main())


def test_leaving_half_way_frees_the_place(path: Path) -> None:
    asked_of: list[str] = []

    async def note(request: dict[str, object]) -> dict[str, object]:
        asked_of.append(str(request["ask"]))
        return {}

    async def main() -> None:
        async with serving(path, note, clients_max=1) as server:
            for words in (b"", b'{"v":1,"ask":"half', encode({"v": 1, "ask": "whole"})):
                with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
                    line.connect(str(path))
                    line.sendall(words)
                    await until(lambda: server.clients == 1)
                await until(lambda: server.clients == 0)
            assert asked_of == ["whole"]
            assert (await asked(path))["ok"] is True

    asyncio.run(main())


def test_one_client_too_many_is_told_so(path: Path) -> None:
    async def main() -> None:
        async with serving(path, clients_max=1) as server:
            _, writer = await asyncio.open_unix_connection(str(path))
            await until(lambda: server.clients == 1)
            answer = await asked(path)
            assert answer["ok"] is False
            assert "1 clients already" in str(answer["why"])
            writer.transport.abort()
            await until(lambda: server.clients == 0)
            assert (await asked(path))["ok"] is True

    asyncio.run(main())


def test_what_goes_wrong_in_the_service_is_an_answer_and_logged_once(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def answer(request: dict[str, object]) -> dict[str, object]:
        match request["ask"]:
            case "no":
                raise HalfmarkError("no such alert")
            case "slow":
                await asyncio.Event().wait()
            case "large":
                return {"x": "x" * REPLY_MAX}
            case "bug":
                raise KeyError("inside")
        return {"odd": object()}

    async def main() -> None:
        async with serving(path, answer, answer_s=0.05):
            why = {q: await asked(path, {"ask": q}) for q in ("no", "slow", "large", "bug", "bug", "odd")}
            assert why["no"] == {"v": 1, "ok": False, "why": "no such alert"}
            assert "found no answer within 0.05 s" in str(why["slow"]["why"])
            assert "over 1048576 bytes" in str(why["large"]["why"])
            assert why["bug"]["why"] == why["odd"]["why"] == "the service failed to answer this; its log says why"

    asyncio.run(main())
    assert [r.levelname for r in caplog.records if r.name == "daemon.control_socket"] == ["ERROR"]


def test_closing_lets_go_of_clients_in_every_state(path: Path) -> None:
    never = asyncio.Event()

    async def answer(_: dict[str, object]) -> dict[str, object]:
        await never.wait()
        return {}

    async def main() -> None:
        async with serving(path, answer) as server:
            ends = [await asyncio.open_unix_connection(str(path)) for _ in range(3)]
            ends[1][1].write(b"{")
            ends[2][1].write(encode({"v": 1, "ask": "status"}))
            await until(lambda: server.clients == 3)
        for reader, writer in ends:
            assert await asyncio.wait_for(reader.read(), LIMIT_S) == b""
            writer.transport.abort()

    asyncio.run(main())


# ---- the place of the socket


def test_a_socket_left_by_a_dead_service_is_replaced(path: Path) -> None:
    for left in (path, path.with_name(path.name + ".new")):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
            dead.bind(str(left))

    async def main() -> None:
        async with serving(path):
            assert (await asked(path))["ok"] is True

    asyncio.run(main())


def test_a_living_service_keeps_its_socket(path: Path) -> None:
    async def main() -> None:
        async with serving(path):
            with pytest.raises(ServiceError, match="another service answers there"):
                await ControlServer(path, echo).start()
            assert (await asked(path))["ok"] is True

    asyncio.run(main())


def test_closing_leaves_the_socket_of_a_successor(path: Path) -> None:
    async def main() -> None:
        async with serving(path):
            path.unlink()
            async with serving(path):
                pass
            async with serving(path) as successor:
                del successor
                path.rename(path.with_suffix(".old"))
                path.touch()
        assert path.is_file()

    asyncio.run(main())


def test_a_place_that_can_not_be_used_is_told(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("mine")
    long = tmp_path / ("x" * PATH_MAX)
    places = {
        file: "no socket lies there",
        tmp_path / "nowhere" / "s": "is its folder there",
        long: f"over {PATH_MAX} bytes",
    }

    async def main() -> None:
        for place, why in places.items():
            with pytest.raises(ServiceError, match=why):
                await ControlServer(place, echo).start()
        with pytest.raises(ServiceError, match="no group `no-such-group`"):
            await ControlServer(tmp_path / "s", echo, group="no-such-group").start()

    asyncio.run(main())
    assert file.read_text() == "mine"
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["file"]


# ---- the client's words


def test_no_service_is_told_with_what_to_do(path: Path) -> None:
    words = rf"^service is not running: nothing listens at {re.escape(str(path))}; start it"
    with pytest.raises(ServiceError, match=words):
        ask(path, QUESTION, LIMIT_S)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(str(path))
    with pytest.raises(ServiceError, match=words):
        ask(path, QUESTION, LIMIT_S)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (b"", "^service broke off: "),
        (b'{"v":1,"ok":tr', "^service broke off: "),
        (b"hello\n", "^service can't be understood: "),
        (b'{"ok":true}\n', "^service can't be understood: its answer has no version"),
        (b'{"v":0,"ok":true}\n', "^service is too old: it speaks version 0, this command 1; restart it"),
        (b'{"v":2,"ok":false,"why":""}\n', "^service is newer than this command: .* this command is too old"),
        (b"x" * (REPLY_MAX + 65536), "^service says too much: "),
    ],
)
def test_a_service_that_answers_wrongly_is_told(path: Path, words: bytes, why: str) -> None:
    with false_service(path, words), pytest.raises(ServiceError, match=why):
        ask(path, QUESTION, LIMIT_S)


@pytest.mark.parametrize("words", [b"", b'{"v":1,'])
def test_a_service_that_hangs_is_given_up_in_time(path: Path, words: bytes) -> None:
    with false_service(path, words, hang=True):
        start_s = time.monotonic()
        with pytest.raises(ServiceError, match="^service does not answer: nothing within 0.1 s"):
            ask(path, QUESTION, 0.1)
        assert time.monotonic() - start_s < LIMIT_S / 2


def test_a_question_too_long_is_never_sent(path: Path) -> None:
    with pytest.raises(ServiceError, match="^service can't be asked this: "):
        ask(path, {"ask": "x" * REQUEST_MAX})


# ---- permissions


def asked_as(user: int, groups: list[int], path: Path) -> str:
    """Ask as another user, in a child that gives up every right; "ok" or the words of the error."""
    read_end, write_end = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # threads of the test runner; the child uses none
        child = os.fork()
    if child == 0:
        words = "the child broke"
        try:
            os.setgroups(groups)
            os.setgid(user)
            os.setuid(user)
            words = "ok" if ask(path, QUESTION, LIMIT_S)["ok"] else "no"
        except ServiceError as error:
            words = str(error)
        except OSError as error:
            words = f"the child can't give up its rights: {error}; run the tests as root"
        finally:
            os.write(write_end, words.encode())
            os._exit(0)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as pipe:
        words = pipe.read().decode()
    os.waitpid(child, 0)
    return words


def test_the_group_may_ask_and_a_stranger_is_told_which_group_to_join() -> None:
    group = grp.getgrgid(1)
    folder = Path(tempfile.mkdtemp(prefix="halfmark-"))  # strangers can't even see into pytest's own folders
    path = folder / "halfmark.sock"

    async def main() -> None:
        async with serving(path, group=group.gr_name):
            assert path.stat().st_gid == group.gr_gid
            assert await asyncio.to_thread(asked_as, STRANGER_ID, [group.gr_gid], path) == "ok"
            words = await asyncio.to_thread(asked_as, STRANGER_ID, [], path)
            assert words.startswith("service may not be asked: no permission for")
            assert "join group `halfmark`" in words

    try:
        folder.chmod(0o755)
        asyncio.run(main())
    finally:
        shutil.rmtree(folder)
