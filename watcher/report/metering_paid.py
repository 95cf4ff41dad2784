"""The meters on which somebody's payment rests in Great Britain: which are asked for, and what is asked of them.

Rule: payment decides. A generation meter of its own is asked for by the feed-in tariff and by nothing else; the export
guarantee pays by the export meter.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta

from watcher.domain.instant import local_day_of
from watcher.domain.papers import Approval, Scheme
from watcher.domain.site import Meter, MeterRole, Role, Site
from watcher.report.metering_answer import Answer, MeterPapers, Said, State, answer
from watcher.report.metering_facts import DEEMED_UP_TO_W, capacity_w, export_is_deemed, export_is_metered, meters_of
from watcher.report.metering_rules import RuleId
from watcher.report.metering_seen import uncovered

OLD_APPROVAL_BEFORE = date(2016, 10, 30)
VERIFY_EVERY = timedelta(days=731)
"""Two years, one of them a leap year."""

NOTICE = timedelta(days=365)
"""An end is asked about so long before it: there is a yearly visit in between."""


def paid_answers(site: Site, today: date, papers: Mapping[str, MeterPapers]) -> Iterator[Answer]:
    scheme, meters = site.payment.scheme, meters_of(site, MeterRole.GENERATION)
    names = ", ".join(meter.id for meter in meters)
    if scheme is Scheme.FEED_IN:
        yield from _tariff_meter(site, names)
        for meter in meters:
            yield _approval(site, meter)
            yield from _kept(meter, papers.get(meter.id, MeterPapers()), today)
    elif meters:
        yield answer(RuleId.NO_SEPARATE_METER, State.NOT_ASKED, Said.SEPARATE_IS_EXTRA, names)
    else:
        yield answer(RuleId.NO_SEPARATE_METER, State.NOT_ASKED, Said.SEPARATE_NOT_NEEDED)
    if any(contact.role is Role.LANDLORD for contact in site.contacts):
        for meter in meters:
            good = meter.approval in (Approval.MID, Approval.NATIONAL)
            state, said = (State.THERE, Said.BILLS) if good else (State.QUESTION, Said.BILLS_ASKED)
            yield answer(RuleId.METER_BILLS, state, said, meter.id)
    yield from _export(site)


def _tariff_meter(site: Site, names: str) -> Iterator[Answer]:
    if not names:
        yield answer(RuleId.GENERATION_METER, State.MISSING, Said.NO_PAID_METER)
    else:
        yield answer(RuleId.GENERATION_METER, State.THERE, Said.PAID_ON_METER, names)
    left = uncovered(site)
    if names and left:
        yield answer(RuleId.GENERATION_METER, State.QUESTION, Said.METER_COVERS_PART, ", ".join(left))
    yield answer(RuleId.REGISTER_ALONE, State.TO_KNOW, Said.REGISTER_ALONE)


def _approval(site: Site, meter: Meter) -> Answer:
    if meter.approval is None:
        return answer(RuleId.METER_APPROVED, State.QUESTION, Said.APPROVAL_ASKED, meter.id)
    if meter.approval is Approval.MID:
        return answer(RuleId.METER_APPROVED, State.THERE, Said.APPROVED, meter.id)
    if meter.approval is Approval.NONE:
        return answer(RuleId.METER_APPROVED, State.MISSING, Said.NOT_APPROVED, meter.id)
    placed = _placed(site, meter)
    if placed is None:
        return answer(RuleId.METER_APPROVED_BEFORE, State.QUESTION, Said.OLD_APPROVAL_ASKED, meter.id)
    if placed < OLD_APPROVAL_BEFORE:
        return answer(RuleId.METER_APPROVED_BEFORE, State.THERE, Said.OLD_APPROVAL, meter.id, placed.isoformat())
    return answer(RuleId.METER_APPROVED_BEFORE, State.MISSING, Said.OLD_APPROVAL_TOO_LATE, meter.id, placed.isoformat())


def _placed(site: Site, meter: Meter) -> date | None:
    """When a meter was fitted: the day its entry begins, or with the rest of the installation."""
    if meter.from_ms:
        return local_day_of(meter.from_ms, site.zone)
    return date.fromisoformat(site.papers.commissioned) if site.papers.commissioned else None


def _kept(meter: Meter, papers: MeterPapers, today: date) -> Iterator[Answer]:
    """Serial number, certificate and verification of a meter that pays."""
    if papers.serial:
        yield answer(RuleId.METER_SERIAL, State.THERE, Said.SERIAL_ON_FILE, meter.id, papers.serial)
    else:
        yield answer(RuleId.METER_SERIAL, State.QUESTION, Said.SERIAL_ASKED, meter.id)
    until = papers.certified_until
    if until is None:
        yield answer(RuleId.METER_CERTIFIED, State.QUESTION, Said.CERTIFIED_ASKED, meter.id)
    elif until < today:
        yield answer(RuleId.METER_CERTIFIED, State.QUESTION, Said.CERTIFIED_ENDED, meter.id, until.isoformat())
    elif until - today <= NOTICE:
        yield answer(RuleId.METER_CERTIFIED, State.QUESTION, Said.CERTIFIED_ENDS, meter.id, until.isoformat())
    else:
        yield answer(RuleId.METER_CERTIFIED, State.THERE, Said.CERTIFIED_UNTIL, meter.id, until.isoformat())
    verified = papers.verified
    if verified is None:
        yield answer(RuleId.METER_VERIFIED, State.QUESTION, Said.VERIFIED_ASKED, meter.id)
    elif today - verified > VERIFY_EVERY:
        yield answer(RuleId.METER_VERIFIED, State.QUESTION, Said.VERIFIED_LONG_AGO, meter.id, verified.isoformat())
    else:
        yield answer(RuleId.METER_VERIFIED, State.THERE, Said.VERIFIED, meter.id, verified.isoformat())


def _export(site: Site) -> Iterator[Answer]:
    scheme, meters = site.payment.scheme, meters_of(site, MeterRole.EXPORT)
    if scheme is Scheme.EXPORT:
        yield from _export_meter(RuleId.EXPORT_METER_GUARANTEE, meters)
        for meter in meters:
            yield _half_hours(meter)
    elif scheme is Scheme.FEED_IN and capacity_w(site) > DEEMED_UP_TO_W:
        yield from _export_meter(RuleId.EXPORT_METER_LARGE, meters)
    elif export_is_metered(site):
        yield from _export_meter(RuleId.EXPORT_METER_PAID, meters)
    elif export_is_deemed(site):
        yield answer(RuleId.EXPORT_DEEMED, State.NOT_ASKED, Said.EXPORT_DEEMED)
    elif scheme is Scheme.FEED_IN:
        yield answer(RuleId.EXPORT_DEEMED, State.QUESTION, Said.EXPORT_HOW_ASKED)
    if export_is_metered(site):
        mpan = site.payment.export_mpan
        state, said = (State.THERE, Said.MPAN_ON_FILE) if mpan else (State.QUESTION, Said.MPAN_ASKED)
        yield answer(RuleId.EXPORT_REGISTERED, state, said)


def _export_meter(rule: RuleId, meters: tuple[Meter, ...]) -> Iterator[Answer]:
    if meters:
        yield answer(rule, State.THERE, Said.EXPORT_METER, ", ".join(meter.id for meter in meters))
    else:
        yield answer(rule, State.MISSING, Said.NO_EXPORT_METER)


def _half_hours(meter: Meter) -> Answer:
    if meter.half_hourly is None:
        return answer(RuleId.EXPORT_METER_GUARANTEE, State.QUESTION, Said.HALF_HOURS_ASKED, meter.id)
    if meter.half_hourly:
        return answer(RuleId.EXPORT_METER_GUARANTEE, State.THERE, Said.HALF_HOURS, meter.id)
    return answer(RuleId.EXPORT_METER_GUARANTEE, State.MISSING, Said.NO_HALF_HOURS, meter.id)
