"""What of a site's papers is missing or ends, as questions to the installer.

Rule: a paper that is not on file is asked for and never called missing: it may lie in a drawer.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from watcher.domain.papers import Scheme
from watcher.domain.site import Site
from watcher.report.metering_answer import Answer, Said, State, answer
from watcher.report.metering_paid import NOTICE
from watcher.report.metering_rules import RuleId

TARIFF_CLOSED = date(2019, 3, 31)
LONGER_TERM_BEFORE = date(2012, 8, 1)
TERM_YEARS, LONGER_TERM_YEARS = 20, 25


def scheme_paper_answers(site: Site, today: date) -> Iterator[Answer]:
    """Papers that Great Britain's schemes and network rules ask for."""
    papers, scheme = site.papers, site.payment.scheme
    if scheme is not Scheme.NONE:
        rule = RuleId.CERTIFICATE_TARIFF if scheme is Scheme.FEED_IN else RuleId.CERTIFICATE_GUARANTEE
        yield _certificate(rule, papers.certificate)
        if not site.payment.licensee:
            yield answer(RuleId.PAPERS_KEPT, State.QUESTION, Said.LICENSEE_ASKED)
    if papers.network_notification:
        yield answer(RuleId.NETWORK_NOTIFIED, State.THERE, Said.NETWORK, detail=papers.network_notification)
    else:
        yield answer(RuleId.NETWORK_NOTIFIED, State.QUESTION, Said.NETWORK_ASKED)
    if scheme is Scheme.FEED_IN and papers.commissioned:
        yield from _term(date.fromisoformat(papers.commissioned), today)


def paper_answers(site: Site, today: date) -> Iterator[Answer]:
    """Papers that ought to be at hand anywhere."""
    papers = site.papers
    if site.payment.scheme is Scheme.NONE:
        yield _certificate(RuleId.PAPERS_KEPT, papers.certificate)
    for known, said in (
        (papers.commissioned, Said.COMMISSIONED_ASKED),
        (papers.registered_capacity_w, Said.CAPACITY_ASKED),
        (papers.quoted_annual_kwh, Said.QUOTE_ASKED),
        (papers.warranty_until, Said.WARRANTY_ASKED),
    ):
        if not known:
            yield answer(RuleId.PAPERS_KEPT, State.QUESTION, said)
    if papers.warranty_until and date.fromisoformat(papers.warranty_until) < today:
        yield answer(RuleId.PAPERS_KEPT, State.QUESTION, Said.WARRANTY_ENDED, detail=papers.warranty_until)


def _certificate(rule: RuleId, number: str) -> Answer:
    if number:
        return answer(rule, State.THERE, Said.CERTIFICATE, detail=number)
    return answer(rule, State.QUESTION, Said.CERTIFICATE_ASKED)


def _term(commissioned: date, today: date) -> Iterator[Answer]:
    """How long the tariff runs, as far as the day of commissioning tells: the day of eligibility may be another."""
    if commissioned > TARIFF_CLOSED:
        yield answer(RuleId.TARIFF_CLOSED, State.QUESTION, Said.CLOSED_ASKED, detail=commissioned.isoformat())
    years = LONGER_TERM_YEARS if commissioned < LONGER_TERM_BEFORE else TERM_YEARS
    # The tariff begins and ends within the year; the 29 February is moved to the 1 March.
    leap_day = (commissioned.month, commissioned.day) == (2, 29)
    month, day = (3, 1) if leap_day else (commissioned.month, commissioned.day)
    end = date(commissioned.year + years, month, day)
    if end - today <= NOTICE:
        yield answer(RuleId.TARIFF_TERM, State.QUESTION, Said.TERM_ENDS_ASKED, detail=end.isoformat())
    else:
        yield answer(RuleId.TARIFF_TERM, State.TO_KNOW, Said.TERM_RUNS, detail=end.isoformat())
