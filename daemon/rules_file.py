"""A file of rule changes to be tried: [alert.RULE] tables as in a site file, and nothing else."""

from pathlib import Path
from typing import Any

import attrs

from daemon.configuration_grammar import AlertTable
from daemon.configuration_rules import check_alerts
from daemon.configuration_structure import Findings, structure_named
from daemon.configuration_text import parse, read_text
from daemon.errors import ConfigError
from shared.site import AlertChange, Site


def with_rules(site: Site, path: Path) -> Site:
    """Give the site with the file's rule changes instead of its own for the rules that the file names.

    Raises: ConfigError: carries every mistake of the file.
    """
    file = str(path)
    raw = parse(read_text(path, file), file)
    findings = Findings(file)
    for key in raw:
        if key != "alert":
            findings.add((key,), "only [alert.RULE] tables may be in a file of rules")
    tables: dict[str, Any] = structure_named(findings, raw.get("alert", {}), AlertTable, "alert")
    changes = {name: AlertChange(name, **_fields(table)) for name, table in tables.items()}
    changed = attrs.evolve(site, alerts={**site.alerts, **changes})
    check_alerts(findings, changed)
    if findings.mistakes:
        raise ConfigError(findings.mistakes)
    return changed


def _fields(table: AlertTable) -> dict[str, Any]:
    return {one.name: getattr(table, one.name) for one in attrs.fields(AlertTable)}
