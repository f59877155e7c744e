"""What `watch` says of the copy to the central store, MQTT and metrics; `status` says the same, see its own tests."""

from typing import cast

import pytest

from daemon.picture import Picture
from daemon.screens.looks import Look
from daemon.screens.overview import overview
from daemon.screens.verdict import Told
from daemon.screens.view import PLAIN, View, sending_words

AT_S = 270_000.0


@pytest.mark.parametrize(
    ("door", "words", "tone"),
    [
        ({"central": {"waiting_commits": 0, "set_aside": 0, "failing_since_s": None}}, "central: nothing waiting", ""),
        ({"central": {"waiting_commits": 7, "unplaced_boots": 1}}, "central: 7 commits waiting, 1 boots undated", ""),
        (
            {"central": {"waiting_commits": 7, "failing_since_s": AT_S - 600.0, "last_error": "401 \x1b[2Jno"}},
            "central: 7 commits waiting, FAILING for 10 min (401 [2Jno)",
            "bad",
        ),
        ({"mqtt": {"connected": True, "failing_since_s": None}}, "mqtt: connected", ""),
        (
            {"mqtt": {"connected": False, "failing_since_s": AT_S - 600.0, "last_error": "refused"}},
            "mqtt: not connected, FAILING for 10 min (refused)",
            "bad",
        ),
        ({"metrics": {"listen": "127.0.0.1:7412", "last_error": None}}, "metrics: open", ""),
        ({"metrics": {"last_error": "port taken"}}, "metrics: FAILING (port taken)", "bad"),
    ],
)
def test_each_door_in_words(full: Picture, door: dict[str, object], words: str, tone: str) -> None:
    assert full["sending"] is not None
    full["sending"] |= door
    found = {piece.text.replace("?", ""): piece.tone for piece in sending_words(full)}
    assert found[words] == tone, found


def test_a_site_without_doors_says_nothing_of_them(full: Picture) -> None:
    assert full["sending"] is not None
    full["sending"] |= {"central": None, "mqtt": None, "metrics": None}
    assert [piece.text for piece in sending_words(full)] == ["group-mail 0 waiting, 12 taken"]


def test_the_page_shows_a_copy_that_fails_before_a_way_that_is_well(full: Picture) -> None:
    assert full["sending"] is not None
    full["sending"] |= {"central": {"waiting_commits": 7, "failing_since_s": 1.0, "last_error": "no route"}}
    page = overview(View(Look(cast(dict[str, object], full), full, Told(live=True))), 100, 40, PLAIN)
    (row,) = (text for line in page if "central" in (text := "".join(piece.text for piece in line)))
    assert row.removeprefix("Sending").lstrip().startswith("central: 7 commits waiting, FAILING")
