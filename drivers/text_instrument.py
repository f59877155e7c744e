"""One instrument that talks by itself: its name, its period and its decoder, as the listener wants them."""

from drivers.decoders.text_lines import TextFault, TextLinesDecoder
from drivers.text_maps import TextMap
from shared.readings import Reading
from shared.site import Instrument


class TextInstrument:
    """Hears one line that others may hear too, each with a map for its own records.

    Attributes:
        name, every_s: as in the site file.
    """

    def __init__(self, instrument: Instrument, text_map: TextMap) -> None:
        self.name = instrument.name
        self.every_s = instrument.every_s
        self._decoder = TextLinesDecoder(instrument.name, text_map)

    def feed(self, data: bytes, now_s: float) -> list[Reading | TextFault]:
        """Take bytes in pieces of any size; hand back what they completed."""
        return self._decoder.feed(data, now_s)

    def reset(self) -> None:
        """Forget what was half heard: the port was opened anew."""
        self._decoder.reset()
