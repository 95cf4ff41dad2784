"""What programs may ask: JSON, and metrics in the text exposition format. The schema stands in DEVELOPERS.md.

Rule: the same rights as on the pages. A field keeps its name and meaning; new ones may come.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from watcher.domain.day import SettledDay
from watcher.domain.finding import Finding
from watcher.web.access import Visitor
from watcher.web.figures import fortnight, home_figures
from watcher.web.front import Front, seen
from watcher.web.installer import list_view
from watcher.web.items import as_json

VERSION = 1
METRICS = "text/plain; version=0.0.4; charset=utf-8"


def items(request: Request, front: Front, visitor: Visitor) -> Response:
    found = front.items.open(front.own_sites(visitor))
    told = [as_json(one, f"/sites/{one.alert.site}") for one in found]
    return JSONResponse({"version": VERSION, "at_ms": front.books.now_ms(), "items": told})


def sites(request: Request, front: Front, visitor: Visitor) -> Response:
    view = list_view(front.books, front.items, front.own_sites(visitor))
    judged = front.books.ledger.judged_through()
    told = [
        {
            "site": one.id,
            "name": one.name,
            "state": one.state,
            "open": one.open,
            "judged_through_ms": judged.get(one.id),
        }
        for one in view.sites
    ]
    return JSONResponse({"version": VERSION, "at_ms": front.books.now_ms(), "sites": told})


def site(request: Request, front: Front, visitor: Visitor) -> Response:
    """One site: what it makes, its meters, its days, what stands open."""
    id, now_ms = request.path_params["site"], front.books.now_ms()
    books = front.books
    record, here, days = books.sites[id], books.site(id), books.ledger.days(id)
    sheets = books.ledger.sheets(id, *fortnight(now_ms, here))
    figures = home_figures(record, books.stored(), books.desk(id).events(), days, sheets, now_ms)
    return JSONResponse(
        {
            "version": VERSION,
            "at_ms": now_ms,
            "site": id,
            "name": here.name,
            "power_w": figures.power_w,
            "power_ms": figures.power_ms,
            "today_wh": figures.today_wh,
            "year_wh": figures.year_wh,
            "lifetime_wh": figures.lifetime_wh,
            "meters": [
                {
                    "meter": one.meter.id,
                    "index_wh": one.wh,
                    "display": one.digits,
                    "at_ms": one.at_ms,
                    "typed": one.typed,
                }
                for one in figures.meters
            ],
            "days": [_day(day) for day in days[-400:]],
            "items": [as_json(one, f"/sites/{id}") for one in front.items.open([id])],
        }
    )


def metrics(request: Request, front: Front, visitor: Visitor) -> Response:
    return Response("".join(f"{line}\n" for line in _metrics(front, visitor)), media_type=METRICS)


def _metrics(front: Front, visitor: Visitor) -> Iterator[str]:
    own = front.own_sites(visitor)
    found = front.items.open(own)
    judged = front.books.ledger.judged_through()
    by_finding = Counter((item.alert.site, item.alert.finding) for item in found)
    yield "# HELP pv_watcher_sites Sites on file."
    yield "# TYPE pv_watcher_sites gauge"
    yield f"pv_watcher_sites {len(own)}"
    yield "# HELP pv_watcher_open_items Alerts that stand open."
    yield "# TYPE pv_watcher_open_items gauge"
    for finding in Finding:
        if many := sum(count for (_, one), count in by_finding.items() if one is finding):
            yield f'pv_watcher_open_items{{finding="{finding}"}} {many}'
    yield "# HELP pv_watcher_site_open_items Alerts that stand open at a site."
    yield "# TYPE pv_watcher_site_open_items gauge"
    for (site, finding), many in sorted(by_finding.items()):
        yield f'pv_watcher_site_open_items{{site="{site}",finding="{finding}"}} {many}'
    yield "# HELP pv_watcher_judged_through_seconds The last instant judged, since 1970 UTC."
    yield "# TYPE pv_watcher_judged_through_seconds gauge"
    for site in own:
        if site in judged:
            yield f'pv_watcher_judged_through_seconds{{site="{site}"}} {judged[site] / 1000:.0f}'
    yield "# HELP pv_watcher_waiting_mails Mails not sent yet, of all sites."
    yield "# TYPE pv_watcher_waiting_mails gauge"
    yield f"pv_watcher_waiting_mails {front.books.ledger.waiting_mails()}"


def _day(day: SettledDay) -> dict[str, object]:
    return {
        "day": day.day.isoformat(),
        "generated_wh": day.generated_wh,
        "metered_wh": day.metered_wh,
        "expected_wh": day.expected_wh,
        "coverage": day.coverage,
    }


ROUTES = [
    Route("/api/items", seen(items, trade=True)),
    Route("/api/sites", seen(sites, trade=True)),
    Route("/api/sites/{site}", seen(site, trade=True)),
    Route("/metrics", seen(metrics, trade=True)),
]
