"""The lines that the list on the terminal and the page to print say alike."""

from __future__ import annotations

from watcher.alert.wording_figures import money
from watcher.alert.wording_triage import SURENESS, TITLES, loss, since
from watcher.detect.readings_found import Sureness
from watcher.domain.site import SiteRecord
from watcher.report.triage import TriageRow


def summary(row: TriageRow) -> str:
    """What is wrong, how sure that is, what it costs and since when, in one line; "" where nothing is."""
    finding = row.finding
    if finding is None:
        return ""
    parts = [TITLES[finding.finding], SURENESS[finding.sureness]]
    if finding.sureness is not Sureness.QUESTION:  # what a wrong record seems to lose was never there
        parts.append(loss(finding))
        if row.pence_low is not None and row.pence_high is not None:
            parts.append(f"{money(row.pence_low, row.pence_high)} of payments")
    return ", ".join([*parts, since(finding)])


def named(record: SiteRecord) -> str:
    return record.id if record.base.name in ("", record.id) else f"{record.id} ({record.base.name})"
