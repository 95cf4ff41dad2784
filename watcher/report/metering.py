"""The metering check: which recording, display and meters the trade's rules ask for at a site, and how that stands.

Rule: from the site's facts alone, on a given day. Rules that hold in Great Britain only are answered "not this scheme"
elsewhere, and not at all while nobody knows where the site is. What a register says is never judged here or changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date

from watcher.align.meter_papers import date_of
from watcher.domain.papers import Scheme
from watcher.domain.site import Meter, Site
from watcher.report.country import Land, land_of
from watcher.report.metering_answer import Answer, MeteringCheck, MeterPapers, Said, State, answer
from watcher.report.metering_paid import paid_answers
from watcher.report.metering_papers import paper_answers, scheme_paper_answers
from watcher.report.metering_rules import RuleId
from watcher.report.metering_seen import seen_answers
from watcher.report.metering_storage import has_battery, storage_answers


def metering_check(site: Site, today: date, papers: Mapping[str, MeterPapers] | None = None) -> MeteringCheck:
    """What is asked, there, missing and not known of a site's metering.

    papers: of its meters by id, where more was said of them than their file; by their file otherwise
    """
    known = {meter.id: papers_on_file(meter) for meter in site.meters} | dict(papers or {})
    land = land_of(site)
    britain = land is Land.GREAT_BRITAIN
    answers: list[Answer] = []
    if britain:
        answers += paid_answers(site, today, known)
    else:
        answers += _not_this_scheme(site, land)
    answers += seen_answers(site)
    if britain:
        answers += storage_answers(site)
        answers += scheme_paper_answers(site, today)
    answers += paper_answers(site, today)
    return MeteringCheck(site.id, site.name, land, site.payment.scheme, tuple(answers))


def papers_on_file(meter: Meter) -> MeterPapers:
    """A meter's papers by its file alone."""
    return MeterPapers(meter.serial, date_of(meter.certified_until))


def _not_this_scheme(site: Site, land: Land) -> Iterator[Answer]:
    """What stands in place of the rules of Great Britain's schemes."""
    guarantee = site.payment.scheme is Scheme.EXPORT
    rule = RuleId.NOT_THIS_GUARANTEE if guarantee else RuleId.NOT_THIS_TARIFF
    if land is Land.NOT_KNOWN:
        yield answer(rule, State.QUESTION, Said.COUNTRY_ASKED)
        return
    said = Said.NORTHERN if land is Land.NORTHERN_IRELAND else Said.ELSEWHERE
    yield answer(rule, State.NOT_THIS_SCHEME, said)
    if has_battery(site):
        yield answer(RuleId.STORAGE_TOLD, State.NOT_THIS_SCHEME, said)
