"""Keeps the TLS library out of `run`, which has no network: it would cost 4.5 of the 36 MiB.

asyncio does without it when it can't be imported. The Modbus library only wants a few names from it;
they stand here, and whatever would really need TLS says so instead of working.
"""

import sys
import types

NAME = "ssl"


class NoTlsError(RuntimeError):
    """Something asked for TLS in a process that was started without it."""


class _Context:
    """Stands in for a TLS context where one is only named."""

    def __init__(self, protocol: object = None) -> None:
        self.protocol = protocol

    def __getattr__(self, name: str) -> object:
        raise NoTlsError(f"this process has no TLS, and was asked for {name}: lines by TCP are plain ones")


def leave_tls_out() -> bool:
    """Put the stand-in where the library would be; returns False when the library is loaded already.

    To be called before anything imports asyncio.
    """
    if NAME in sys.modules or "asyncio" in sys.modules:
        return False
    sys.modules[NAME] = None  # type: ignore[assignment]  # an import fails, as on a Python built without TLS
    try:
        import asyncio  # noqa: F401
    finally:
        del sys.modules[NAME]
    stand_in = types.ModuleType(NAME, "A stand-in: this process has no TLS.")
    names = {
        "SSLContext": _Context,
        "PROTOCOL_TLS_CLIENT": None,
        "SSLError": type("SSLError", (OSError,), {}),
        "SSLWantReadError": type("SSLWantReadError", (OSError,), {}),
    }
    for name, value in names.items():
        setattr(stand_in, name, value)
    sys.modules[NAME] = stand_in
    return True
