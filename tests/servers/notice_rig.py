"""How long a notice takes from the value on the wire to the mail server, through the real service and sender."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from campaign.scene import HeatedSite
from daemon.record import RecordReader
from drivers.virtual.port import boot_s
from servers.mail_sink import MailSink
from servers.site_rig import SiteRig, wait_for
from shared.alerts import FLAPS_MOST
from shared.rules import RULES

COOL = {"bank_c": 20.0, "controller_c": 20.0, "enclosure_c": 20.0}
QUANTITIES = {"bank-hot": "bank_c", "controller-hot": "controller_c", "enclosure-hot": "enclosure_c"}
MORE = '[way-out.mail]\nkind = "mail"\nserver = "127.0.0.1"\nport = {port}\nsecurity = "none"\nto = ["a@example.org"]\n'
LETTER_MOST_S = 40.0
LIMITS = "".join(f"[alert.{rule}]\nraise = 45\nclear = 40\ndwell_s = 0\ncalm_s = 0\n" for rule in QUANTITIES)


@dataclass(frozen=True)
class NoticeDelay:
    """One notice: how long after its rule held it was taken, s.

    `from_reading_s` counts from the first reading that is past the limit, `from_wire_s` from the moment at which the
    instrument showed it.
    """

    alert: str
    state: str
    from_wire_s: float
    from_reading_s: float


def measure_delays(
    folder: Path,
    *,
    rounds: int,
    rules: Iterable[str] = QUANTITIES,
    shunt_s: float = 1.0,
    controller_s: float = 10.0,
    commit_s: float = 10.0,
) -> list[NoticeDelay]:
    """Let temperatures pass their limits and come back, one after the other, and time the letters.

    Args:
        folder: an empty one, whose path is short enough for sockets.
        rounds: how often each of the rules is raised and cleared; more than FLAPS_MOST, and they would be held.
        rules: of QUANTITIES.
        shunt_s, controller_s, commit_s: as in the site file.
    """
    if rounds > FLAPS_MOST:
        raise ValueError(f"{rounds} rounds, and alerts are held after {FLAPS_MOST}")
    HeatedSite.forced = dict(COOL)
    found: list[NoticeDelay] = []
    with (
        MailSink() as sink,
        SiteRig(
            folder / "s", commit_s=commit_s, shunt_s=shunt_s, controller_s=controller_s, make_site=HeatedSite,
            more=MORE.format(port=sink.port) + LIMITS, runtime=folder / "run",
        ) as rig,
    ):  # fmt: skip
        (folder / "run").mkdir()
        service = rig.start(send=True)
        service.wait_until_reading()
        service.wait_for(lambda p: p["sending"] is not None)
        for _ in range(rounds):
            for rule in rules:
                quantity = QUANTITIES[rule]
                for state, value in (("raised", 60.0), ("cleared", 20.0)):
                    shown_s = boot_s()
                    HeatedSite.forced = {**HeatedSite.forced, quantity: value}
                    taken_s = _taken_s(sink, rule, state)
                    read_s = _first_reading_s(rig.folders.state, quantity, shown_s, value)
                    found.append(NoticeDelay(rule, state, taken_s - shown_s, taken_s - read_s))
        assert service.stop() == 0
    return found


def _taken_s(sink: MailSink, rule: str, state: str) -> float:
    """When the newest letter is that of this alert; whatever else is told goes by."""
    words = f"{RULES[rule].title}, {'over' if state == 'cleared' else state}"

    def newest() -> bool:
        return bool(sink.taken) and words in str(sink.taken[-1].mail["Subject"])

    wait_for(newest, LETTER_MOST_S, about=words)
    return boot_s()


def _first_reading_s(folder: Path, quantity: str, since_s: float, value: float) -> float:
    """When the value was first read; it is in the record by now, because the event was committed after it."""
    with RecordReader(folder) as reader:
        for placed in reader.readings():
            reading = placed.reading
            if reading.at_s >= since_s and abs(reading.values.get(quantity, -99.0) - value) < 1.0:
                return reading.at_s
    raise AssertionError(f"no reading of {quantity} = {value}")
