"""After a reload the watchdog of the new site hears of the writer as the old one did."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.configuration import load_maps, load_site
from daemon.recorder import Recorder
from daemon.service import Service, ServiceOptions
from servers.site_rig import SiteRig


def test_the_watchdog_of_a_new_site_hears_of_commits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[Callable[[float], None]] = []

    async def run(self: Recorder, attempted: Callable[[float], None], before: Callable[[float], None]) -> None:
        heard.append(attempted)
        await asyncio.Event().wait()

    monkeypatch.setattr(Recorder, "run", run)
    with SiteRig(tmp_path / "site") as rig:
        site = load_site(rig.site_file)

        async def work() -> None:
            service = Service(site, load_maps(site), ServiceOptions(rig.site_file, rig.folders, send_child=False))
            working = asyncio.ensure_future(service._work())
            while not heard:
                await asyncio.sleep(0)
            await service.reload()
            later_s = service.clock() + 10_000.0
            assert [words for words in service.watchdog.late(later_s) if words.startswith("writer")]
            heard[0](later_s)
            assert not [words for words in service.watchdog.late(later_s) if words.startswith("writer")]
            service._stop.set()
            await working

        asyncio.run(work())
