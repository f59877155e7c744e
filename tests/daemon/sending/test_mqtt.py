"""What is published over MQTT and when, on an invented link and clock."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.errors import ConfigError, StoreError
from daemon.sending.bell import Bell
from daemon.sending.door_memory import DoorMemory
from daemon.sending.mqtt import LOOK_LEAST_S, RETRY_MOST_S, SLOW_LEAST_S, MqttDoor, client_id
from daemon.sending.mqtt_link import MqttDown
from daemon.sending.mqtt_messages import written
from daemon.sending.site_now import SiteNow
from servers.door_rig import SITE, DoorHill, a_site, a_standing

PREFIX = "halfmark/Cold Fork Ridge"


class FakeLink:
    """A broker that confirms everything at the next wait."""

    def __init__(self, down: MqttDown | None = None) -> None:
        self.down = down
        self.sent: list[tuple[str, str]] = []
        self.unconfirmed = 0
        self.goodbye: tuple[str, str] | None = None
        self.closed = False
        self.lose = False

    def connect(self) -> None:
        if self.down is not None:
            raise self.down

    def publish(self, topic: str, text: str) -> None:
        self.sent.append((topic, text))
        self.unconfirmed += 1

    def wait(self, timeout_s: float) -> bool:
        if self.lose:
            raise MqttDown("the connection was lost")
        self.unconfirmed = 0
        return False

    def close(self, goodbye: tuple[str, str] | None = None) -> None:
        self.closed, self.goodbye = True, goodbye

    def take(self) -> dict[str, str]:
        sent, self.sent = dict(self.sent), []
        return {topic.removeprefix(f"{PREFIX}/"): text for topic, text in sent.items()}


class Rig:
    """A hill, a door and the links it opens."""

    def __init__(self, folder: Path) -> None:
        self.hill = DoorHill(folder)
        self.links: list[FakeLink] = []
        self.down: MqttDown | None = None
        self.wrong: Exception | None = None
        self.bell = Bell()
        self.memory = DoorMemory(folder / "sending")
        self.door = self.begin()

    def begin(self, broker: str = "b:1", prefix: str = PREFIX) -> MqttDoor:
        self.door = MqttDoor(
            self.look, self.memory, self.open, self.bell,
            site=SITE, prefix=prefix, broker=broker, every_s=60.0, clock=lambda: self.hill.now_s,
        )  # fmt: skip
        return self.door

    def look(self) -> SiteNow:
        if isinstance(self.wrong, StoreError):
            raise self.wrong
        return self.hill.look()

    def open(self) -> FakeLink:
        if isinstance(self.wrong, ConfigError):
            raise self.wrong
        self.links.append(FakeLink(self.down))
        return self.links[-1]

    def turn(self, wait_s: float = 60.0) -> dict[str, str]:
        """Let time pass, take one turn, have it confirmed; give what was published."""
        self.hill.now_s += wait_s
        self.door.turn()
        self.door.wait(self.hill.now_s)
        return self.links[-1].take() if self.links else {}


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    yield rig
    rig.bell.close()
    rig.hill.close()


def test_everything_is_told_at_first_then_what_has_changed(rig: Rig) -> None:
    rig.hill.good_day()
    rig.hill.raise_alerts(a_standing("bank-hot"))
    told = rig.turn(0.0)
    state = json.loads(told.pop("state"))
    alert = json.loads(told.pop("alert/bank-hot"))
    assert told == {
        "link": "online", "service": "running", "quantity/bank_v": "13.204", "quantity/bank_a": "-0.512",
        "quantity/panel_w": "43.40", "quantity/controller_c": "31.00", "quantity/soc_frac": "0.6240",
        "quantity/soc_sigma": "0.0310", "quantity/reserve_ah": "2.98",
    }  # fmt: skip
    assert state["utc"] == "2026-05-28T20:43:20+00:00"  # 1 780 001 000 s after 1970, as date(1) has it
    assert state["soc_frac"] == 0.624 and state["alerts"] == {"bank-hot": "act"}
    assert state["quantities"]["bank_v"] == {"value": 13.204, "unit": "V", "age_s": 0.5, "instrument": "shunt"}
    assert (alert["severity"], alert["since_utc"], alert["limit"]) == ("act", "2026-05-28T20:36:40+00:00", 45.0)
    assert rig.turn().keys() == {"state"}
    rig.hill.good_day()
    assert rig.turn(1.0) == {}, "not before its time"
    rig.hill.read("shunt", bank_v=13.3, bank_a=-0.512)
    assert rig.turn(59.0).keys() == {"state", "quantity/bank_v"}


def test_an_alert_that_is_over_and_a_value_that_is_gone_are_taken_away(rig: Rig) -> None:
    rig.hill.good_day()
    rig.hill.raise_alerts(a_standing("bank-hot"), a_standing("instrument-silent:shunt"))
    rig.turn(0.0)
    rig.hill.raise_alerts(a_standing("instrument-silent:shunt", acked_by="N0CALL"))
    told = rig.turn(1.0 + 60.0)
    assert told["alert/bank-hot"] == ""
    assert json.loads(told["alert/instrument-silent:shunt"])["acked"] is True
    told = rig.turn(400.0)
    assert told["service"] == "silent"
    assert told["quantity/bank_v"] == told["quantity/reserve_ah"] == told["quantity/soc_frac"] == ""
    assert not any(topic.startswith("alert/") for topic in told), "who fell silent has cleared nothing"
    assert json.loads(told["state"])["silent_s"] > 300


def test_a_time_that_moves_by_seconds_is_no_news(rig: Rig) -> None:
    rig.hill.raise_alerts(a_standing("bank-hot"))
    rig.turn(0.0)
    rig.hill.raise_alerts(a_standing("bank-hot", since_s=604.0))
    assert rig.turn().keys() == {"state"}
    rig.hill.raise_alerts(a_standing("bank-hot", since_s=900.0))
    assert rig.turn().keys() == {"state", "alert/bank-hot"}


def test_what_stood_before_a_crash_is_taken_away_after_it(rig: Rig) -> None:
    rig.hill.good_day()
    rig.hill.raise_alerts(a_standing("bank-hot"))
    rig.turn(0.0)
    rig.begin()  # without a word from the one before
    rig.hill.raise_alerts()
    told = rig.turn()
    assert told["alert/bank-hot"] == ""
    assert told["link"] == "online"
    rig.begin()
    assert "alert/bank-hot" not in rig.turn(), "taken away once, and confirmed"


def test_topics_of_another_prefix_are_taken_away_and_those_at_another_broker_left_alone(rig: Rig) -> None:
    rig.hill.good_day()
    rig.turn(0.0)
    rig.begin(prefix="hill/two")
    rig.hill.now_s += 60.0
    rig.door.wait(rig.door.turn())
    sent = dict(rig.links[-1].sent)
    assert sent[f"{PREFIX}/link"] == sent[f"{PREFIX}/quantity/bank_v"] == ""
    assert sent["hill/two/link"] == "online"
    rig.begin(broker="c:1")
    assert "" not in rig.turn(1.0).values()


def test_a_new_connection_begins_with_everything(rig: Rig) -> None:
    rig.hill.good_day()
    first = rig.turn(0.0)
    rig.links[-1].lose = True
    rig.turn(1.0)
    assert rig.links[-1].closed and rig.links[-1].goodbye is None
    assert rig.turn(6.0).keys() == first.keys()
    assert len(rig.links) == 2
    assert rig.door.done


def test_tries_are_further_and_further_apart_up_to_a_cap(rig: Rig) -> None:
    rig.down = MqttDown("nobody there")
    waits = []
    for _ in range(9):
        rig.door.turn()
        waits.append(rig.door.turn() - rig.hill.now_s)
        rig.hill.now_s += waits[-1]
    assert waits == [2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, RETRY_MOST_S]
    state = rig.memory.load("mqtt")
    assert isinstance(state, dict)
    assert (state["connected"], state["last_error"]) == (False, "nobody there")


def test_what_a_person_must_correct_is_tried_less_often(rig: Rig) -> None:
    rig.down = MqttDown("refuses the account", slow=True)
    assert rig.door.turn() - rig.hill.now_s == SLOW_LEAST_S
    rig.down, rig.wrong = None, ConfigError.of("mqtt-password", "does not exist")
    rig.turn(61.0)
    assert "does not exist" in str(rig.door.state()["last_error"])
    rig.wrong = None
    rig.turn(300.0)
    assert rig.door.done
    assert rig.door.state()["failing_since_s"] is None


def test_a_connection_that_never_lasts_is_tried_less_and_less(rig: Rig) -> None:
    rig.hill.good_day()
    waits = []
    for _ in range(4):
        rig.turn(0.0)
        rig.links[-1].lose = True
        rig.turn(1.0)
        waits.append(rig.door.turn() - rig.hill.now_s)
        rig.hill.now_s += waits[-1]
    assert waits == [2.0, 4.0, 8.0, 16.0]


def test_a_record_that_can_t_be_read_leaves_the_link_and_what_stands(rig: Rig) -> None:
    rig.hill.good_day()
    rig.turn(0.0)
    rig.wrong = StoreError("disk gone")
    assert rig.turn() == {}
    assert not rig.door.done and not rig.links[-1].closed
    rig.wrong = None
    assert "state" in rig.turn()
    assert rig.door.done


def test_the_bell_brings_the_next_look_forward_but_not_without_end(rig: Rig) -> None:
    class Ringing(FakeLink):
        def wait(self, timeout_s: float) -> bool:
            super().wait(timeout_s)
            return True

    rig.open = Ringing  # type: ignore[method-assign]
    rig.begin()
    rig.door.wait(rig.door.turn())
    assert rig.door.turn() - rig.hill.now_s == LOOK_LEAST_S


def test_the_end_says_offline(rig: Rig) -> None:
    rig.turn(0.0)
    rig.door.close()
    assert rig.links[-1].goodbye == (f"{PREFIX}/link", "offline")
    state = rig.memory.load("mqtt")
    assert isinstance(state, dict) and state["connected"] is False


def test_a_memory_that_can_t_be_written_stops_nothing(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    rig.memory.path = rig.hill.folder / "state" / "record.db" / "sent.db"
    rig.hill.good_day()
    assert rig.turn(0.0)["link"] == "online"
    assert "what it remembers" in caplog.text


def test_names_no_broker_refuses(rig: Rig) -> None:
    # MQTT 3.1.1, [MQTT-3.1.3-5]: 1 to 23 bytes of 0-9a-zA-Z must be allowed.
    for prefix in (PREFIX, "x", "ü" * 120):
        assert 1 <= len(client_id(prefix)) <= 23 and client_id(prefix).isalnum()
    assert client_id("a") != client_id("b")


def test_numbers_have_the_record_s_digits() -> None:
    assert written("bank_v", 13.20449) == "13.204"
    assert written("bank_a", -0.0001) == "0.000"
    assert written("door", 1.0) == "1"
    assert written("soc_frac", 0.62404) == "0.6240"


def test_a_hostile_site_name_makes_no_other_topic(tmp_path: Path) -> None:
    from shared.topics import is_prefix, topic_level

    site = a_site("#/+\x1b[2J$SYS")
    assert is_prefix(f"halfmark/{topic_level(site.place.name)}")
