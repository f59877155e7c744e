"""Without TLS the service's libraries load, and whoever asks for TLS is told."""

import subprocess
import sys

LOOK = """
from daemon.no_tls import NoTlsError, leave_tls_out
assert leave_tls_out()
import sys
import asyncio, pymodbus.client, drivers.transports.modbus_line, daemon.service
assert "_ssl" not in sys.modules
import ssl
try:
    ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).wrap_socket
except NoTlsError as why:
    print(why)
assert not leave_tls_out(), "a second call changes nothing"
"""


def test_everything_loads_and_use_is_refused() -> None:
    done = subprocess.run([sys.executable, "-c", LOOK], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "asked for wrap_socket" in done.stdout
