"""What a loss comes to in payments, as a range, and who may be told.

Rule: only payments whose rate was typed from a statement; the electricity a home had to buy instead is not known
here, so it is not counted. Metered export is between nothing and all of what was lost.
"""

from __future__ import annotations

from itertools import pairwise

from watcher.domain.alert import Alert
from watcher.domain.finding import Finding
from watcher.domain.site import Payment, Rate, Role, Scheme, Site

_FOREVER_MS = 2**62
MISCOUNTED = frozenset({Finding.METER_STALLED, Finding.METER_REVERSED, Finding.METER_MISMATCH})
"""Their loss was made all the same, but not counted."""

_ONLY_UNCOUNTED = MISCOUNTED | {Finding.METER_SILENT}


def may_see_money(role: str, site: Site) -> bool:
    """Payee and installer; the owner too where nobody else is named as payee."""
    if role == Role.OWNER:
        return not any(contact.role is Role.PAYEE for contact in site.contacts)
    return role in (Role.PAYEE, Role.INSTALLER)


def _in_force(rates: tuple[Rate, ...], paid_on: str, start_ms: int, end_ms: int) -> tuple[tuple[Rate, ...], ...]:
    """The lines of one kind that held at any time in [start, end], one group for each date they came in.

    Lines that begin together hold together: an extension is paid at its own rate for its own share.
    """
    own = [rate for rate in rates if rate.paid_on == paid_on]
    starts = sorted({rate.from_ms for rate in own})
    return tuple(
        tuple(rate for rate in own if rate.from_ms == begins)
        for begins, ends in pairwise([*starts, _FOREVER_MS])
        if begins <= end_ms and ends > start_ms
    )


def lost_payment(alert: Alert, payment: Payment, until_ms: int) -> tuple[float, float] | None:
    """Lowest and highest payment missed for the alert's loss. [pence] None where no rate is known or nothing lost.

    Generation rates pay for every kWh. An export rate with a share below 1 is deemed: it pays that part of what the
    generation meter counts. With share 1 export is metered by itself: all or nothing of the lost energy might have
    been exported, and a generation meter that stands still costs nothing of it.
    """
    if payment.scheme is Scheme.NONE or alert.loss_high_mwh <= 0:
        return None
    low_kwh, high_kwh = alert.loss_low_mwh / 1e6, alert.loss_high_mwh / 1e6
    low = high = 0.0
    known = False
    for paid_on in ("generation", "export"):
        held = _in_force(payment.rates, paid_on, alert.onset_low_ms, until_ms)
        metered = paid_on == "export" and any(rate.share >= 1 for group in held for rate in group)
        if not held or (metered and alert.finding in _ONLY_UNCOUNTED):
            continue
        known = True
        # A rate that changed meanwhile (each April) widens the range; a few per cent, not worth a second sum.
        each = [sum(rate.pence_per_kwh * rate.share for rate in group) for group in held]
        low += 0.0 if metered else min(each) * low_kwh
        high += max(each) * high_kwh
    return (low, high) if known else None
