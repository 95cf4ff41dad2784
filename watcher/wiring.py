"""Builds the parts from what the files say and joins them. The one place that knows every part."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from email.message import EmailMessage
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Self

from watcher.clock import Clock, SystemClock
from watcher.clock_sync import Synchronised
from watcher.collect.collectors import BusCollector, Collector, WeatherCollector, reach_of
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.desk import LineDesk
from watcher.collect.modbus.register_map import RegisterMap
from watcher.collect.neighbours import NeighbourCollector, NeighbourDesk
from watcher.collect.weather.desk import WeatherDesk
from watcher.config import (
    MailConfig,
    SitesFound,
    TopicMapsFound,
    WatcherConfig,
    load_maps,
    load_sites,
    load_topic_maps,
    load_watcher,
)
from watcher.daemon import Parts
from watcher.domain.alert import Mail
from watcher.domain.errors import Problem, SetupError, StoreError
from watcher.domain.event import EventKind
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS
from watcher.domain.neighbours import NEIGHBOURS
from watcher.domain.quantity import WEATHER_DEVICES
from watcher.domain.reading import Reading, Samples
from watcher.domain.site import MeterRole, Site, SiteRecord, Source, SourceKind
from watcher.health_file import HealthFile
from watcher.held import Held
from watcher.notify.absences import Absences
from watcher.notify.folder import FolderSink
from watcher.notify.notice import (
    bad_sites_notice,
    broker_away_notice,
    broker_question_notice,
    damaged_store_notice,
    low_disk_notice,
    many_mails_notice,
    not_seen_notice,
    readings_server_notice,
    reference_silent_notice,
    shared_fault_notice,
)
from watcher.notify.outbox import Manners, Sender
from watcher.notify.silent_references import SilentReferences
from watcher.notify.smtp import SmtpSender
from watcher.sending import Sending
from watcher.store.choice import Readings
from watcher.store.damaged import Damage
from watcher.store.disk_space import DiskSpace
from watcher.store.ledger import Ledger
from watcher.store.opening import open_stores, suspect
from watcher.store.readings import SqliteReadings
from watcher.store.server.settings import ServerSettings
from watcher.store.sunshine import FOLDER as SUNSHINE
from watcher.worker_process import WorkerProcess

if TYPE_CHECKING:
    from watcher.collect.mqtt.collector import MqttCollector


@dataclass(frozen=True, slots=True)
class Files:
    """Where a data folder keeps what. server: where its readings go, None where they stay."""

    folder: Path
    server: ServerSettings | None = None

    @classmethod
    def of(cls, config: WatcherConfig) -> Self:
        return cls(config.data_folder.absolute(), config.store)

    @property
    def readings(self) -> Path:
        """The readings themselves, or those on their way to the server."""
        return self.folder / ("readings.sqlite" if self.server is None else "spool.sqlite")

    @property
    def ledger(self) -> Path:
        return self.folder / "ledger.sqlite"

    @property
    def ledger_url(self) -> str:
        return f"sqlite:///{self.ledger}"

    @property
    def weather(self) -> Path:
        return self.folder / "weather"

    @property
    def sunshine(self) -> Path:
        return self.folder / SUNSHINE


def assemble(watcher_file: Path, clock: Clock | None = None) -> Parts:
    """Everything a daemon is made of, from one watcher file.

    SetupError where the watcher file is bad or no site at all is good: never run with nothing to watch.
    A bad site among good ones is left out, and the operator is told.
    """
    config = load_watcher(watcher_file)
    maps = load_maps(config.devices_folder)
    topics = load_topic_maps(config.topics_folder)
    found = load_sites(config.sites_folder, maps, topics)
    if found.problems:  # a site may be bad because its map is; a bad map that no site uses is a matter for `check`
        found = replace(found, problems=(*maps.problems, *topics.problems, *found.problems))
    if not found.good:
        raise SetupError(found.problems or (Problem(str(config.sites_folder), "", "", "no site to watch"),))
    config.data_folder.mkdir(parents=True, exist_ok=True)
    files = Files.of(config)
    began_ms = (clock if clock is not None else SystemClock()).now_ms()
    stores = open_stores(files.readings, files.ledger, began_ms, config.store)
    readings, ledger = stores.readings, stores.ledger
    if isinstance(readings, SqliteReadings):
        readings.keep_days = config.keep_days
    if clock is None:
        clock = SystemClock(_newest(readings), Synchronised(config.clock, files.folder / "clock-set"))
    held = Held(files.folder, sorted(found.good))
    tell_undated(held, readings, ledger, clock.now_ms())
    for id, text in sorted(found.texts.items()):
        ledger.put_version(id, text, clock.now_ms())
    said = NeighbourDesk()
    worker = WorkerProcess(
        files.readings, files.ledger_url, resident=config.worker.resident, server=config.store, told=said.put
    )
    sending = None if isinstance(readings, SqliteReadings) else Sending(readings)
    desk = WeatherDesk(files.weather, config.weather.limits)
    lines = LineDesk()
    collecting = [
        one for id in found.good for one in collectors(found.good[id], readings, clock, maps.good, desk, lines)
    ]
    brokers = broker_collectors(config, found, topics, readings, clock)
    collecting += brokers
    collecting += pulse_collectors(found, readings, held, clock)
    asking = [id for id, record in found.good.items() if record.at(clock.now_ms()).source_of(NEIGHBOURS) is not None]
    collecting += [NeighbourCollector(id, said) for id in asking]

    def who(site: str) -> tuple[Site, Firm]:
        return found.good[site].at(clock.now_ms()), config.firm

    def warn(words: str) -> EmailMessage:
        return low_disk_notice(words, config.mail.sender, config.operator_email, clock.now_ms())

    return Parts(
        clock=clock,
        collectors=collecting,
        readings=readings,
        ledger=ledger,
        judge=worker,
        senders=senders(config.mail),
        who=who,
        sites=sorted(found.good),
        evaluate_every_s=config.worker.evaluate_every_s,
        notices=notices(config, found, stores.damages, clock.now_ms()),
        space=DiskSpace(files.folder, readings.week_bytes).low,
        warn=warn,
        suspect=partial(suspect, files.readings, files.ledger),
        watch=_watch(config, [one for one in collecting if isinstance(one, WeatherCollector)], brokers, sending),
        sending=sending,
        health=HealthFile(files.folder),
        held=held,
        manners=_manners(config, ledger, sorted(found.good)),
    )


def _manners(config: WatcherConfig, ledger: Ledger, sites: Sequence[str]) -> Manners:
    sender, operator, most = config.mail.sender, config.operator_email, config.mail.most_an_hour

    def link(mail: Mail) -> str:
        return ""

    if config.pages is not None and config.pages.link:  # else nobody but this machine could follow it
        from watcher.web.server import links_of  # only where there are pages

        link = links_of(config, config.pages).of
    return Manners(
        link=link,
        most_an_hour=most,
        sites=sites,
        standing=ledger.standing_alerts,
        busy=lambda waiting, now_ms: many_mails_notice(most, waiting, sender, operator, now_ms),
        shared=lambda region, now_ms: shared_fault_notice(region, sender, operator, now_ms),
    )


def tell_undated(held: Held, readings: Readings, ledger: Ledger, now_ms: int) -> None:
    """Readings whose time can no longer be known become an event of each device; their file is set aside and stays."""
    undatable = held.undatable()
    for site, rows in undatable.items():
        stored = [one.time_ms for one in _last(readings, site).values() if not one.channel.startswith(WEATHER_DEVICES)]
        not_before_ms = max(stored, default=0)
        for device in dict.fromkeys(row.channel.partition(".")[0] for row in rows):
            own = [row for row in rows if row.channel.partition(".")[0] == device]
            said: dict[str, str | float] = {"readings": len(own)}
            for row in own:
                said.setdefault(f"first {row.channel}", row.value)
                said[f"last {row.channel}"] = row.value
            ledger.add_event(site, EventKind.UNDATED, device, not_before_ms, said, now_ms)
    if undatable:
        held.set_aside()


def broker_collectors(
    config: WatcherConfig, found: SitesFound, topics: TopicMapsFound, readings: Readings, clock: Clock
) -> list[MqttCollector]:
    """One collector for each broker of each site; one connection for each broker. Without one, paho is not loaded."""
    sought: dict[tuple[str, str], list[Source]] = defaultdict(list)
    sites = {id: record.at(clock.now_ms()) for id, record in found.good.items()}
    for id, site in sites.items():
        for source in site.sources:
            if source.kind is SourceKind.MQTT:
                sought[id, source.address].append(source)
    if not sought:
        return []
    from watcher.collect.mqtt.desk import BrokerDesk

    desk = BrokerDesk(config.brokers, topics.good, config.data_folder.absolute(), clock)
    return [
        desk.collector(sites[id], address, sources, lambda id=id: _last(readings, id))  # type: ignore[misc]
        for (id, address), sources in sought.items()
    ]


def pulse_collectors(found: SitesFound, readings: Readings, held: Held, clock: Clock) -> list[Collector]:
    """One collector for each line that pulses come in on. StoreError: without where its count stood none may begin."""
    sought = [
        (site, source)
        for site in (record.at(clock.now_ms()) for record in found.good.values())
        for source in site.sources
        if source.kind is SourceKind.PULSE
    ]
    if not sought:
        return []
    from watcher.collect.pulse.desk import collector

    def counted(site: str, name: str) -> float:
        last = readings.last(site).get(name)
        return max(0.0 if last is None else last.value, held.highest(site, name) or 0.0)

    return [collector(site, source, counted(site.id, f"{source.device}.pulse_count")) for site, source in sought]


def _last(readings: Readings, site: str) -> dict[str, Reading]:
    """The newest reading of each channel; none where a server does not tell."""
    with suppress(StoreError):
        return dict(readings.last(site))
    return {}


BROKER_AWAY_MS = 10 * MINUTE_MS
"""A broker that is away for so long is told to the operator; a restart of one is not."""


def _watch(
    config: WatcherConfig,
    weather: Sequence[WeatherCollector],
    brokers: Sequence[MqttCollector],
    sending: Sending | None,
) -> Callable[[int], list[EmailMessage]]:
    """Tells the operator of sunshine that has been missing too long, of brokers that are away, of what looks odd in
    what devices publish, and of what is wrong with the readings server."""
    silent = SilentReferences(round(config.weather.silent_hours * HOUR_MS))
    sender, operator = config.mail.sender, config.operator_email
    away = Absences(
        BROKER_AWAY_MS,
        lambda troubles, now_ms: broker_away_notice(troubles, sender, operator, now_ms),
        lambda source, sites, since_ms, now_ms: not_seen_notice(
            source, sites, since_ms, now_ms, sender, operator, now_ms
        ),
    )

    def watch(now_ms: int) -> list[EmailMessage]:
        found = silent.due([one.trouble for one in weather if one.trouble is not None], now_ms)
        told = [reference_silent_notice(troubles, sender, operator, now_ms) for troubles in found]
        told += away.messages([one.trouble for one in brokers if one.trouble is not None], now_ms)
        if notes := [note for one in brokers for note in one.told()]:
            told.append(broker_question_notice(notes, config.place, sender, operator, now_ms))
        if sending is not None and (problems := sending.problems()):
            told.append(readings_server_notice(problems, config.place, sender, operator, now_ms))
        return told

    return watch


def collectors(
    record: SiteRecord,
    readings: Readings,
    clock: Clock,
    maps: Mapping[str, RegisterMap],
    desk: WeatherDesk,
    lines: LineDesk,
) -> Iterator[Collector]:
    """One collector for each bus and each service of a site, for the devices it has now. maps: by name."""
    site = record.at(clock.now_ms())
    buses: dict[str, list[Source]] = defaultdict(list)
    for source in site.sources:
        if source.kind in (SourceKind.MODBUS_TCP, SourceKind.MODBUS_RTU):
            buses[source.address].append(source)
        elif source.kind is SourceKind.WEATHER:
            yield _weather(site, source, readings, clock.now_ms(), desk)
    for address, sources in buses.items():
        devices = [_on_bus(site, source, maps.get(source.map)) for source in sources]
        every_s = min(source.every_s for source in sources)
        yield BusCollector(site.id, address, devices, every_s, lines.line(sources[0]))


def _weather(site: Site, source: Source, readings: Readings, now_ms: int, desk: WeatherDesk) -> WeatherCollector:
    """Back to the site's first reading; for a new site two days, since detectors look back."""
    channel, from_ms = f"{source.device}.ghi", now_ms - reach_of(source.device)
    first_ms, window = None, dict[str, Samples]()
    # A server that is away must not keep us from starting. What is asked for anew because of it is there already.
    with suppress(StoreError):
        first_ms = readings.first(site.id)
        window = readings.window(site.id, [channel], from_ms, now_ms + DAY_MS, now_ms + DAY_MS)
    begin_ms = first_ms if first_ms is not None else now_ms - 2 * DAY_MS
    stored = window[channel].time_ms if channel in window else ()
    return WeatherCollector(site.id, desk.feed(site, source), begin_ms, stored)


def _on_bus(site: Site, source: Source, registers: RegisterMap | None) -> DeviceOnBus:
    meters = {meter.id: meter for meter in site.meters}
    role: Literal["inverter", "meter", "generation-meter"] = "inverter"
    if source.device in meters:
        role = "generation-meter" if meters[source.device].role is MeterRole.GENERATION else "meter"
    return DeviceOnBus(source.device, source.unit, source.map, source.counts, role, registers)


def senders(mail: MailConfig) -> list[Sender]:
    """A folder that keeps copies, and the server that carries; the folder carries where there is no server."""
    found: list[Sender] = []
    if mail.folder is not None:
        found.append(FolderSink(mail.folder))
    if (server := mail.server) is not None:
        password = server.password.reveal if server.password is not None else None
        found.append(SmtpSender(server.host, server.port, server.security, server.user, password))
    return found


def notices(config: WatcherConfig, found: SitesFound, damages: Sequence[Damage], now_ms: int) -> list[EmailMessage]:
    """What the operator must hear at once: site files that can't be used, databases that were damaged."""
    told: list[EmailMessage] = []
    sender, operator = config.mail.sender, config.operator_email
    if found.problems:
        told.append(bad_sites_notice(found.problems, len(found.good), found.files, sender, operator, now_ms))
    if damages:
        told.append(damaged_store_notice([str(damage) for damage in damages], sender, operator, now_ms))
    return told


def _newest(readings: Readings) -> int:
    """The newest stored reading of any site: a clock earlier than that is wrong. Forecasts, which lie ahead, aside."""
    times = [
        reading.time_ms
        for site in readings.sites()
        for reading in readings.last(site).values()
        if not reading.channel.startswith(WEATHER_DEVICES)
    ]
    return max(times, default=0)
