"""The metering check in words, for the installer: one sentence for each thing that can be found, one line an answer.

Rule: a question says where its answer is written, and nobody's reading is ever put right. Shapes stand beside the
words, so that neither colour nor a good terminal is needed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from watcher.domain.papers import Scheme
from watcher.report.metering_answer import Answer, MeteringCheck, Said, State

SHAPES: Mapping[State, str] = {
    State.THERE: "[x]",
    State.MISSING: "[!]",
    State.ADVISED: "[~]",
    State.NOT_ASKED: "[-]",
    State.TO_KNOW: "[i]",
    State.NOT_THIS_SCHEME: "[/]",
    State.QUESTION: "[?]",
}

SCHEMES: Mapping[Scheme, str] = {
    Scheme.FEED_IN: "paid by the feed-in tariff",
    Scheme.EXPORT: "paid by the export guarantee",
    Scheme.NONE: "paid by nobody",
}

FOUND: Mapping[Said, str] = {
    Said.NORTHERN: (
        "Northern Ireland: not this scheme. Neither the feed-in tariff nor the export guarantee holds there; ask "
        "who pays what its own scheme asks of meters"
    ),
    Said.ELSEWHERE: "outside the United Kingdom: not this scheme",
    Said.PAID_ON_METER: "a generation meter of its own is asked for, and {subject} is one",
    Said.NO_PAID_METER: "a generation meter of its own is asked for, and none is on file",
    Said.SEPARATE_NOT_NEEDED: "a generation meter of its own is not asked for: no payment rests on what is generated",
    Said.SEPARATE_IS_EXTRA: "a generation meter of its own is not asked for; {subject} is there and may stay",
    Said.REGISTER_ALONE: (
        "payment follows the register and stops at its last good reading; the inverter's figure or an estimate does "
        "not stand in for it"
    ),
    Said.TOTAL_BY_METER: "all that is generated passes {subject}",
    Said.TOTAL_BY_DISPLAY: "the display shows all that is generated: {subject}",
    Said.TOTAL_NOWHERE: "nothing on file records and shows all that is generated",
    Said.ENERGY_SEEN: "the energy generated can be seen without ado: {subject}",
    Said.ENERGY_NOT_SEEN: "no display of the energy generated is within the customer's reach",
    Said.POWER_SEEN: "the present power can be seen: {subject}",
    Said.POWER_NOT_SEEN: "no display shows the present power",
    Said.REACH_FREE: "{subject} can be read without tool, ladder or torch",
    Said.REACH_NEEDS: "{subject} cannot be read without a {detail}",
    Said.REACH_LOFT: "{subject} hangs where the customer cannot read it without a ladder: {detail}",
    Said.READER_NOT_CUSTOMER: "{subject} can be read by the {detail} and not by the customer",
    Said.APPROVED: "{subject} is MID-approved",
    Said.NOT_APPROVED: "{subject} is of no approved type, and payment rests on it",
    Said.OLD_APPROVAL: "{subject} is of an older national approval and was placed in time, on {detail}",
    Said.OLD_APPROVAL_TOO_LATE: (
        "{subject} is of an older national approval and was placed too late for it, on {detail}"
    ),
    Said.BILLS: "{subject} is of an approved type, should the landlord bill by it",
    Said.SERIAL_ON_FILE: "the serial number of {subject} is on file: {detail}",
    Said.CERTIFIED_UNTIL: "{subject} is certified until {detail}",
    Said.VERIFIED: "{subject} was last verified on {detail}",
    Said.EXPORT_DEEMED: "an export meter is not asked for: export is deemed",
    Said.EXPORT_METER: "an export meter is asked for, and {subject} is one",
    Said.NO_EXPORT_METER: "an export meter is asked for, and none is on file",
    Said.HALF_HOURS: "{subject} gives export by the half-hour",
    Said.NO_HALF_HOURS: "{subject} does not give export by the half-hour",
    Said.MPAN_ON_FILE: "the supply number for export is on file",
    Said.NO_BATTERY: "nothing is asked of a battery: none is on file. Write it down where there is one",
    Said.BATTERY_TOLD: "who pays has been told of the battery",
    Said.BATTERY_NOT_TOLD: "who pays has not been told of the battery",
    Said.HOUSE_SIDE: "the battery stands on the house side of {subject}, which counts the panels alone",
    Said.ADDS_BOTH: (
        "{subject} adds what flows the other way, and a battery stands on the panels' side of it: a bi-directional "
        "meter is needed"
    ),
    Said.NETTED: "the register of {subject} runs back by what the battery takes from the mains",
    Said.TWO_REGISTERS: (
        "{subject} has a register for what the battery takes from the mains; the licensee takes the one from the "
        "other, nobody else"
    ),
    Said.NOT_NETTED: (
        "the battery behind {subject} is charged from the mains, and the meter counts that as generated: a "
        "bi-directional meter is needed"
    ),
    Said.DEEMED_GOES_ON: "deemed export goes on as it was",
    Said.EXPORT_OWN_ONLY: "nothing but solar energy goes out: the battery is never charged from the mains",
    Said.STORAGE_UNPAID: "nothing is asked of a battery by a payer: there is none",
    Said.STORAGE_NETWORK: "the network operator knows of the battery: {detail}",
    Said.CERTIFICATE: "the certificate's number is on file: {detail}",
    Said.NETWORK: "the network operator was told: {detail}",
    Said.TERM_RUNS: "the tariff runs until about {detail}; the licensee has the day",
}

ASKED: Mapping[Said, tuple[str, str]] = {
    Said.COUNTRY_ASKED: ("In which country is the site? Its place does not say for sure.", "[site] country"),
    Said.METER_COVERS_PART: ("Is {subject} outside the tariff? It passes no generation meter.", "[[meter]] covers"),
    Said.TOTAL_ASKED: (
        "Does a display show all that was ever generated, such as the inverter's own?",
        "[display] shows",
    ),
    Said.TOTAL_PART_ASKED: (
        "Does a display show what {detail} generates? It passes no generation meter.",
        "[display] shows, or [[meter]] covers",
    ),
    Said.TOTAL_BATTERY_ASKED: (
        "Does a display show what the panels alone generate? A battery may stand behind {subject}.",
        "[display] shows, [battery] side",
    ),
    Said.ENERGY_ASKED: (
        "Where does the customer see the energy generated, and what is needed to read it there?",
        "[display] place, shows, read_with, or [[meter]] read_with",
    ),
    Said.POWER_ASKED: ("Does a display show the present power?", "[display] shows"),
    Said.REACH_ASKED: ("Can the customer read {subject} without tool, ladder or torch?", "[[meter]] read_with"),
    Said.APPROVAL_ASKED: (
        "Is {subject} MID-approved? An M and a year in a box on its plate say so.",
        "[[meter]] approval",
    ),
    Said.OLD_APPROVAL_ASKED: (
        "When was {subject} placed? It is of an older national approval.",
        "[[meter]] from, or [papers] commissioned",
    ),
    Said.BILLS_ASKED: (
        "Does the landlord bill by {subject}? Then it must be of an approved type.",
        "[[meter]] approval",
    ),
    Said.SERIAL_ASKED: ("Which serial number stands on {subject}, and is it the certificate's?", "[[meter]] serial"),
    Said.CERTIFIED_ENDS: (
        "The certificate of {subject} ends on {detail}: is a new meter planned?",
        "[[meter]] certified_until",
    ),
    Said.CERTIFIED_ENDED: (
        "The certificate of {subject} ended on {detail}: was it exchanged, or is it taken as it is?",
        "[[meter]] certified_until",
    ),
    Said.CERTIFIED_ASKED: ("Until when is {subject} certified?", "[[meter]] certified_until"),
    Said.VERIFIED_LONG_AGO: (
        "The licensee last verified {subject} on {detail}, more than two years ago: has it been done since?",
        "watcher meter SITE {subject} --verified --at TIME",
    ),
    Said.VERIFIED_ASKED: (
        "When did the licensee last verify {subject}?",
        "watcher meter SITE {subject} --verified --at TIME",
    ),
    Said.EXPORT_HOW_ASKED: ("Is export deemed or metered? The statement says.", "[[payment.rate]] paid_on, share"),
    Said.HALF_HOURS_ASKED: ("Does {subject} give export by the half-hour?", "[[meter]] half_hourly"),
    Said.MPAN_ASKED: ("Under which supply number is export registered?", "[payment] export_mpan"),
    Said.BATTERY_TOLD_ASKED: ("Has who pays been told of the battery?", "[battery] licensee_told"),
    Said.SIDE_ASKED: (
        "On which side of {subject} does the battery stand: the house's or the panels'?",
        "[battery] side",
    ),
    Said.GRID_CHARGING_ASKED: (
        "Can the battery behind {subject} be charged from the mains?",
        "[battery] grid_charging",
    ),
    Said.DELAYED_ASKED: (
        "Does the licensee take {subject}, no bi-directional meter, where the mains never charge the battery?",
        "ask for its word in writing",
    ),
    Said.EXPORT_TERMS_ASKED: (
        "Does the tariff pay for energy that was bought, stored and sent out again?",
        "its terms say",
    ),
    Said.EXPORT_GRID_ASKED: (
        "Can the battery be charged from the mains? Export is paid for.",
        "[battery] grid_charging",
    ),
    Said.STORAGE_NETWORK_ASKED: ("Has the network operator agreed to the battery?", "[battery] network_notification"),
    Said.CERTIFICATE_ASKED: ("Which number has the installation's certificate?", "[papers] certificate"),
    Said.NETWORK_ASKED: ("When was the network operator told, or did it agree?", "[papers] network_notification"),
    Said.COMMISSIONED_ASKED: ("When was the installation commissioned?", "[papers] commissioned"),
    Said.CLOSED_ASKED: (
        "By which exception is the tariff paid? The installation was commissioned on {detail}.",
        "[payment] scheme, [papers] commissioned",
    ),
    Said.TERM_ENDS_ASKED: (
        "Has the tariff ended, or when does it? By the day of commissioning it is about {detail}.",
        "the licensee has the day",
    ),
    Said.LICENSEE_ASKED: ("Who pays?", "[payment] licensee"),
    Said.CAPACITY_ASKED: ("Which capacity is registered?", "[papers] registered_capacity_w"),
    Said.QUOTE_ASKED: ("How much a year was quoted to the customer?", "[papers] quoted_annual_kwh"),
    Said.WARRANTY_ASKED: ("Until when does the warranty run?", "[papers] warranty_until"),
    Said.WARRANTY_ENDED: ("The warranty ended on {detail}: was it extended?", "[papers] warranty_until"),
}
"""Questions, each with where its answer is written or found."""


def sentence(found: Answer) -> str:
    """What was found, or what is asked with where the answer is written; without the rule."""
    if found.said in FOUND:
        return FOUND[found.said].format(subject=found.subject, detail=found.detail)
    question, where = ASKED[found.said]
    return f"{question} -> {where}".format(subject=found.subject, detail=found.detail)


def source(found: Answer) -> str:
    """Clause, edition and mark of the rule."""
    where = found.rule.source
    return f"{where.clause}; {where.edition}; {where.mark}"


def line(found: Answer) -> str:
    """One answer: its state in a shape and in words, what was found, and the source of the rule."""
    return f"{SHAPES[found.state]} {found.state}: {sentence(found)} ({source(found)})"


def heading(check: MeteringCheck) -> str:
    return f"{check.name} ({check.site_id}): {check.land}, {SCHEMES[check.scheme]}"


def summary(check: MeteringCheck) -> str:
    """How many answers there are of each state, what is wrong first."""
    counts = Counter(one.state for one in check.answers)
    order = (State.MISSING, State.ADVISED, State.QUESTION, State.NOT_THIS_SCHEME, State.THERE, State.NOT_ASKED)
    return ", ".join(f"{counts[state]} {_NAMES.get(state, state)}" for state in order if counts[state])


_NAMES = {State.ADVISED: "advised and missing", State.QUESTION: "to find out"}

COLUMNS = ("site", "rule", "state", "subject", "found", "asks", "clause", "edition", "mark")


def row(check: MeteringCheck, found: Answer) -> tuple[str, ...]:
    """An answer as the fields of COLUMNS."""
    rule, where = found.rule, found.rule.source
    told = (check.site_id, rule.id, found.state, found.subject, sentence(found), rule.asks)
    return tuple(str(one) for one in (*told, where.clause, where.edition, where.mark))
