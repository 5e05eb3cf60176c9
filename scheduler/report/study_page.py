"""page.html and study.xlsx of a study of supply contracts: what an energy buyer reads and reckons with.

Owns what stands on both and in which order. What every page has is in `scheduler.report.shell`, what every
workbook has in `scheduler.report.book`, tables are in `study_tables`, charts in `study_charts`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from scheduler.report.book import UNITS, Book, made, versions_and_inputs
from scheduler.report.cautions import CAUTIONS, STUDY_CAUTION
from scheduler.report.shell import Key, Section, filled
from scheduler.report.study_charts import component_chart, month_chart
from scheduler.report.study_tables import (
    RANKING,
    SHEETS,
    cross_matrix,
    cross_table,
    in_currency,
    lines_table,
    members,
    months_table,
    ranking_table,
    remarks,
)
from scheduler.report.wording import fixed, plain
from scheduler.studies.tariffs import Cross, Ranked, Study

ASSUMPTIONS = (
    "Each contract has a year of its own, planned by the hour in windows of a month, with prices that are "
    "known: a real year is dearer by what is not known (see the back-test).",
    "Whole steps, counted changes, calm and ramps inside an interval belong to the plan of a day and are "
    "left out; peaks are those of interval means.",
    "Sensitivities bill the load as planned at other prices; a new plan can only cost less (with "
    "replan_sensitivities = true in the study file it is made).",
    "Income for calls (interruption, reserve) counts only in a year in which a simulated call at every hour "
    "is answered, with stores and loads back on the year's plan two days later; calls that follow each other "
    "are not simulated.",
)
"""What a study takes as given, for every output."""
MONTH_WORDS = (
    "What is charged on the peak or the total of a whole year is shared out over its months by their hours.",
)
CROSS_WORDS = (
    "How much dearer, in %, the plan made for the contract of the row is under the contract of the column "
    "than the plan made for that one: its own, which stands at 0. Negative: cheaper; then it is taken. A "
    "contract whose column has large numbers asks for a load of its own.",
)


def study_page(
    study: Study, name: str, currency: str, notes: Iterable[str], digests: Mapping[str, str]
) -> str:
    """Return the page of a study.

    Parameters
    ----------
    study : Study
        The comparison. [-]
    name : str
        Name of the study. [-]
    currency : str
        ISO 4217 code. [-]
    notes : iterable of str
        Notes of the sites. [-]
    digests : mapping
        SHA-256 of every input. [-]

    Returns
    -------
    str
        HTML; the same study gives the same text. [-]
    """
    sections = [
        section
        for number, cross in enumerate(study.crosses)
        for section in _sections(study, cross, f"group-{number}", currency)
    ]
    sections.append(Section("assumptions", "What is taken as given", ASSUMPTIONS))
    return filled(
        "shell.html.j2",
        title=f"{plain(name)}: supply contracts side by side",
        skip_words="To the contracts",
        where=f"Amounts in {currency}. Every contract has a year planned for it.",
        good=not study.failed,
        headline=_headline(study),
        failures=tuple(plain(f"{case}: {why}") for case, why in study.failed.items()),
        short_caution=STUDY_CAUTION,
        notes=tuple(dict.fromkeys(plain(note) for note in notes)),
        keys=tuple(_key(members(study, cross), cross, currency) for cross in study.crosses),
        sections=tuple(sections),
        cautions=CAUTIONS,
        digests=tuple(digests.items()),
    )


def study_workbook(
    study: Study, name: str, currency: str, notes: Iterable[str], digests: Mapping[str, str]
) -> bytes:
    """Return the workbook of a study.

    Parameters
    ----------
    study : Study
        The comparison. [-]
    name : str
        Name of the study. [-]
    currency : str
        ISO 4217 code. [-]
    notes : iterable of str
        Notes of the sites. [-]
    digests : mapping
        SHA-256 of every input. [-]

    Returns
    -------
    bytes
        Office Open XML; the same study gives the same bytes. [-]
    """
    told = tuple(dict.fromkeys(plain(note) for note in notes))

    def fill(book: Book) -> None:
        for table in (
            ranking_table(study.ranked),
            lines_table(study.ranked),
            months_table(study.ranked),
            cross_table(study),
        ):
            book.table(SHEETS[table.ident], table)
        failed = tuple(plain(f"Failed: {case}: {why}") for case, why in study.failed.items())
        book.text("Cautions", ((line,) for line in (*failed, *CAUTIONS, *ASSUMPTIONS, *told)), (110,))
        items = (
            *versions_and_inputs(digests),
            ("currency", currency),
            *((f"column {each.listed.name}", each.listed.meaning) for each in RANKING),
            UNITS,
        )
        book.text("About", items, (34, 90))

    return made(f"{plain(name)}: supply contracts", "study", fill)


def _headline(study: Study) -> str:
    """Return who is cheapest where, and whether all sites say the same."""
    orders = {
        (cross.site_name, cross.prices_name): [i.case.contract_name for i in members(study, cross)]
        for cross in study.crosses
    }
    firsts = {names[0] for names in orders.values()}
    if len(firsts) == 1:
        words = f"Cheapest{' everywhere' if len(orders) > 1 else ''}: {firsts.pop()}."
    else:
        each = "; ".join(f"{names[0]} ({site}, {prices})" for (site, prices), names in orders.items())
        words = f"Cheapest: {each}."
    if len({tuple(names) for names in orders.values()}) > 1:
        words += " The order of the others differs." if len(firsts) < 2 else ""
    if study.failed:
        words += f" {len(study.failed)} cases have no plan."
    return plain(words)


def _key(items: Sequence[Ranked], cross: Cross, currency: str) -> Key:
    best = items[0]
    more = "nothing to compare with"
    if len(items) > 1:
        apart = items[1].result.figures.total - best.result.figures.total
        share = 100.0 * apart / abs(best.result.figures.bill_amount or 1.0)
        more = (
            f"{fixed(best.result.figures.total, 0, True)} {currency}; {items[1].case.contract_name} costs "
            f"{fixed(apart, 0, True)} more ({fixed(share, 1)} % of the bill)"
        )
    return Key(_group(cross), plain(best.case.contract_name), plain(more))


def _group(cross: Cross) -> str:
    return plain(f"{cross.site_name}, prices {cross.prices_name}")


def _sections(study: Study, cross: Cross, ident: str, currency: str) -> tuple[Section, ...]:
    items = members(study, cross)
    told = tuple(f"{plain(item.case.contract_name)}: {remark}." for item in items for remark in remarks(item))
    return (
        Section(
            ident,
            _group(cross),
            told,
            component_chart(f"{ident}-bill", items, currency),
            (in_currency(ranking_table(items, short=True, ident=f"{ident}-short"), currency),),
            (
                in_currency(ranking_table(items, ident=f"{ident}-ranking"), currency),
                in_currency(lines_table(items, ident=f"{ident}-lines"), currency),
            ),
        ),
        Section(
            f"{ident}-months",
            f"{_group(cross)}: month by month",
            MONTH_WORDS,
            month_chart(f"{ident}-month", items, currency),
            behind=(in_currency(months_table(items, ident=f"{ident}-months"), currency),),
        ),
        Section(
            f"{ident}-cross",
            f"{_group(cross)}: every plan under every contract",
            CROSS_WORDS,
            tables=(cross_matrix(cross, f"{ident}-matrix"),),
        ),
    )
