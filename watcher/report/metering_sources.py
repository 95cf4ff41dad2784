"""Where the rules of metering stand: clause, edition, and how sure we are of it.

Rule: nothing is told without a mark. READ: seen in the law or on the page of the body that made the rule. SECONDARY:
seen in what others write of it. MEMORY: remembered, so that the current edition must be checked. PRACTICE: what is
commonly done, without a source. An edition that was not seen is not named as if it had been.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Mark(StrEnum):
    """How sure a rule is, as it is told."""

    READ = "read"
    SECONDARY = "secondary source"
    MEMORY = "from memory: check the current edition"
    PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Source:
    """Where a rule stands. edition: which, or who told of it"""

    clause: str
    edition: str
    mark: Mark


ENERGY_ACT = Source("Energy Act 2008, section 41: extent", "as shown at legislation.gov.uk", Mark.READ)
QUALIFIES = Source("Smart Export Guarantee, which sites qualify", "as told by a local energy group", Mark.SECONDARY)
LICENCE = Source(
    "electricity supply licence, standard condition 33 and Schedule A", "as a licensee's staff tell it", Mark.SECONDARY
)
NO_CLAUSE = Source("no clause found", "none", Mark.PRACTICE)
OMBUDSMAN = Source("energy ombudsman, page on the feed-in tariff", "undated page", Mark.READ)
STANDARD = Source("MIS 3002, metering", "issue not checked", Mark.MEMORY)
CODE = Source(
    "IET Code of Practice for grid-connected solar PV, what the user sees", "2015; a later one exists", Mark.MEMORY
)
PLACE = Source(
    "MIS 3002 and its metering guidance, place of the meter", "as quoted in the trade press, 2014", Mark.SECONDARY
)
INSTRUMENTS = Source(
    "Measuring Instruments Regulations 2016 (SI 2016/1153)", "as told by a metering firm", Mark.SECONDARY
)
ELECTRICITY_ACT = Source(
    "Electricity Act 1989, Schedule 7; gov.uk, National regulation: gas and electricity meters",
    "undated page",
    Mark.READ,
)
CERTIFICATION = Source(
    "Meters (Certification) Regulations 1998 (SI 1998/1566), regulation 2", "as shown at legislation.gov.uk", Mark.READ
)
PHOTOS = Source("regulator's decision on photographs as evidence of meter verification", "2021", Mark.READ)
ONSITE = Source("regulator's page Onsite generation and metering", "undated page", Mark.READ)
EXPORT_GUIDE = Source("feed-in tariff, export payments", "as told by a community energy guide", Mark.SECONDARY)
LICENSEE = Source("feed-in tariff beside the export guarantee", "as a licensee tells it", Mark.SECONDARY)
GUARANTEE_METERS = Source(
    "Smart Export Guarantee, metering", "as told by the trade press and installers", Mark.SECONDARY
)
SUPPLY_NUMBER = Source("Smart Export Guarantee, export MPAN", "as a supplier's help page tells it", Mark.SECONDARY)
CHANGES = Source(
    "regulator's page for feed-in tariff generators, changes to an installation", "undated page", Mark.READ
)
STORAGE_NOTES = Source(
    "regulator's draft guidance on storage beside generation",
    "2017, as told by two law firms; find the final one",
    Mark.SECONDARY,
)
STORAGE_ADVICE = Source(
    "regulator's draft guidance on storage beside generation",
    "2017, as told by a law firm and an advice site; find the final one",
    Mark.SECONDARY,
)
ONSITE_IMPORT = Source(
    "regulator's page Onsite generation and metering", "undated page, written of import meters", Mark.READ
)
TARIFF_GUIDANCE = Source("regulator's guidance on the feed-in tariff", "as told by an advice site", Mark.SECONDARY)
GUARANTEE_STORAGE = Source("Smart Export Guarantee, storage", "as told by the trade press", Mark.SECONDARY)
WELSH_NOTE = Source("Welsh Government, technical note on connecting generation to the grid", "undated page", Mark.READ)
TARIFF_ORDER = Source(
    "Feed-in Tariffs Order 2012 (SI 2012/2782), Schedule 1", "as shown at legislation.gov.uk", Mark.READ
)
CERTIFIED = Source("Smart Export Guarantee, which sites qualify", "as a supplier's help page tells it", Mark.SECONDARY)
NETWORK = Source(
    "EREC G98 and G99", "G98 issue 1 amendment 7, 2022, as told in training texts; later ones exist", Mark.SECONDARY
)
CLOSURE = Source("regulator's feed-in tariff guidance", "version 13, December 2018", Mark.READ)
LENGTH = Source("feed-in tariff, length of payments", "as told on a page of 2012", Mark.SECONDARY)
