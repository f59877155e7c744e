"""How the last run of the service ended, told by the next one from what it left in the record.

A run that is stopped leaves a mark in its last commit, see `daemon.restarts`; one that crashes, or whose
machine loses its power, can't. The mark is taken back with the first commit of the next run.
"""

from collections.abc import Sequence

from daemon.record import RecordReader, Run
from daemon.restarts import STATE_NAME
from shared.daybook import ending
from shared.site import Bank


def this_run(
    reader: RecordReader, bank: Bank, volts: Sequence[str], *, boot_id: str, now_s: float, set_aside: bool
) -> Run:
    """Make the entry of a run that begins now.

    Args:
        reader: of the record, before anything of this run is in it but its boot.
        bank: as configured.
        volts: instruments that give the bank's voltage, preferred first.
        boot_id: of the present boot.
        now_s: seconds since boot.
        set_aside: the record before was damaged, so nothing of the last run is in this one.
    """
    last = reader.newest_s()
    if last is None:
        return Run(now_s, None, "set aside" if set_aside else "")
    saved = reader.saved(STATE_NAME)
    stopped = saved is not None and saved.body.get("clean") is True
    latest = reader.latest()
    known = (latest[name].reading.values.get("bank_v") for name in volts if name in latest)
    bank_v = next((value for value in known if value is not None), None)
    same_boot = last[0] == reader.boot_number(boot_id)
    return Run(now_s, last, ending(bank, same_boot=same_boot, stopped=stopped, bank_v=bank_v))
