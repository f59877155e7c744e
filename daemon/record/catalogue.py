"""The names a packed row stands for: instruments, channels and reasons, each with a small number."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from shared.quantities import QUANTITIES

# For a quantity this release has no row for, so that a reading is kept all the same.
UNKNOWN_STEP = 0.001
# Reasons that carry a value never repeat; beyond this many the text goes into the row itself.
REASONS_MOST = 500
REASON_LENGTH_MOST = 200


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity of one instrument; `step` is the resolution kept, None for the quantity's own."""

    instrument: str
    quantity: str
    step: float | None = None


@dataclass(frozen=True, slots=True)
class ChannelEntry:
    """A channel as numbered in the record.

    `per_unit` is how many steps make one unit: values are stored as whole numbers of steps.
    """

    number: int
    instrument: str
    quantity: str
    step: float
    per_unit: float


class UnknownNumber(LookupError):
    """A row uses a number that is not in the catalogue at hand."""


def step_of(quantity: str) -> float:
    """Give the resolution in which a quantity is kept, in its unit."""
    known = QUANTITIES.get(quantity)
    return UNKNOWN_STEP if known is None else known.step


def steps_per_unit(step: float) -> float:
    """Give 1/step, as a whole number where it is one: n / 1000 reads back exactly, n * 0.001 does not."""
    whole = round(1.0 / step)
    return float(whole) if whole and abs(whole * step - 1.0) < 1e-9 else 1.0 / step


@dataclass(slots=True)
class Additions:
    """Catalogue entries that are not in the file yet; they go in with the row that uses them first."""

    instruments: list[tuple[int, str]] = field(default_factory=list)
    channels: list[tuple[int, int, str, float]] = field(default_factory=list)
    reasons: list[tuple[int, str]] = field(default_factory=list)

    def clear(self) -> None:
        """Forget them, because they have been stored."""
        self.instruments.clear()
        self.channels.clear()
        self.reasons.clear()


class Catalogue:
    """Both directions, name to number and number to name. Numbers start at 1 and are never used again.

    Args:
        instruments: number and name.
        channels: number, instrument's number, quantity, step.
        reasons: number and text.
    """

    def __init__(
        self,
        instruments: Iterable[tuple[int, str]] = (),
        channels: Iterable[tuple[int, int, str, float]] = (),
        reasons: Iterable[tuple[int, str]] = (),
    ) -> None:
        self.additions = Additions()
        self._instruments: dict[str, int] = {}
        self._instrument_names: dict[int, str] = {}
        self._channels: dict[tuple[str, str], ChannelEntry] = {}
        self._channel_entries: dict[int, ChannelEntry] = {}
        self._reasons: dict[str, int] = {}
        self._reason_texts: dict[int, str] = {}
        for number, name in instruments:
            self._know_instrument(number, name)
        for number, instrument, quantity, step in channels:
            self._know_channel(number, self.instrument_name(instrument), quantity, step)
        for number, text in reasons:
            self._know_reason(number, text)

    @property
    def instruments(self) -> Mapping[str, int]:
        """Every instrument that ever had a reading or a channel, with its number."""
        return self._instruments

    @property
    def channels(self) -> tuple[ChannelEntry, ...]:
        """Every channel there is, the oldest first."""
        return tuple(self._channel_entries.values())

    def add(self, channel: Channel) -> ChannelEntry:
        """Number a channel, again when its step has changed: older rows keep the older one."""
        step = step_of(channel.quantity) if channel.step is None else channel.step
        if not step > 0.0:
            raise ValueError(f"step of {channel.instrument} {channel.quantity} must be above 0, got {step}")
        known = self._channels.get((channel.instrument, channel.quantity))
        if known is not None and known.step == step:
            return known
        instrument = self.instrument(channel.instrument)
        for entry in self._channel_entries.values():
            if (entry.instrument, entry.quantity, entry.step) == (channel.instrument, channel.quantity, step):
                self._channels[channel.instrument, channel.quantity] = entry
                return entry
        number = max(self._channel_entries, default=0) + 1
        self.additions.channels.append((number, instrument, channel.quantity, step))
        return self._know_channel(number, channel.instrument, channel.quantity, step)

    def instrument(self, name: str) -> int:
        """Give the number of an instrument, a new one if need be."""
        number = self._instruments.get(name)
        if number is None:
            number = max(self._instrument_names, default=0) + 1
            self._know_instrument(number, name)
            self.additions.instruments.append((number, name))
        return number

    def channel(self, instrument: str, quantity: str) -> ChannelEntry:
        """Give the channel of a quantity of an instrument, a new one if need be."""
        known = self._channels.get((instrument, quantity))
        return self.add(Channel(instrument, quantity)) if known is None else known

    def reason(self, text: str) -> int:
        """Give the number of a reason, or 0 when there are too many and the row must carry the text."""
        number = self._reasons.get(text)
        if number is None:
            if len(self._reasons) >= REASONS_MOST:
                return 0
            number = max(self._reason_texts, default=0) + 1
            self._know_reason(number, text)
            self.additions.reasons.append((number, text))
        return number

    def instrument_name(self, number: int) -> str:
        """Give the name behind a number. Raises: UnknownNumber."""
        try:
            return self._instrument_names[number]
        except KeyError:
            raise UnknownNumber(f"instrument {number} is not in the record's list") from None

    def channel_entry(self, number: int) -> ChannelEntry:
        """Give the channel behind a number. Raises: UnknownNumber."""
        try:
            return self._channel_entries[number]
        except KeyError:
            raise UnknownNumber(f"channel {number} is not in the record's list") from None

    def reason_text(self, number: int) -> str:
        """Give the reason behind a number. Raises: UnknownNumber."""
        try:
            return self._reason_texts[number]
        except KeyError:
            raise UnknownNumber(f"reason {number} is not in the record's list") from None

    def _know_instrument(self, number: int, name: str) -> None:
        self._instruments[name] = number
        self._instrument_names[number] = name

    def _know_channel(self, number: int, instrument: str, quantity: str, step: float) -> ChannelEntry:
        entry = ChannelEntry(number, instrument, quantity, step, steps_per_unit(step))
        self._channels[instrument, quantity] = entry
        self._channel_entries[number] = entry
        return entry

    def _know_reason(self, number: int, text: str) -> None:
        self._reasons[text] = number
        self._reason_texts[number] = text
