"""The words for what leaves the hill beside the notices: the copy to the central store, MQTT, metrics."""

from collections.abc import Iterator, Mapping

from daemon.screens.lettering import clean

_COUNTED = (("waiting_commits", "commits waiting"), ("unplaced_boots", "boots undated"), ("set_aside", "set aside"))


def doors_told(state: Mapping[str, object]) -> Iterator[tuple[str, Mapping[str, object]]]:
    """Say how each door that is open fares, but for a failure, which is told as a way out's is.

    Args:
        state: of sending, see `daemon.sending.receipts.sending_state`.
    Returns: for each door its words, and what is known of it, with `failing_since_s` and `last_error` in it.
    """
    if isinstance(central := state.get("central"), Mapping):
        told = [f"{n} {words}" for key, words in _COUNTED if isinstance(n := central.get(key), int) and n > 0]
        yield f"central: {', '.join(told) or 'nothing waiting'}", central
    if isinstance(mqtt := state.get("mqtt"), Mapping):
        yield f"mqtt: {'connected' if mqtt.get('connected') is True else 'not connected'}", mqtt
    if isinstance(metrics := state.get("metrics"), Mapping):
        error = metrics.get("last_error")
        words = f"FAILING ({clean(error)})" if isinstance(error, str) and error else "open"
        yield f"metrics: {words}", {}
