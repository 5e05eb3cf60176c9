"""The bill of a profile as text, tables and JSON, and what an invoice differs by.

Owns the layout; amounts come from `models.contract.bill`, names of columns stand in
`scheduler.report.columns` too.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from models.contract.bill import Bill
from models.contract.component import Profile
from models.contract.invoice import SAME_MONEY, Difference
from scheduler.report.csv_text import csv_text
from scheduler.report.wording import fixed, plain, spoken_minute, spoken_start, tidy

Json = dict[str, object]

BILL_COLUMNS = (
    "component",
    "label",
    "quantity",
    "quantity_unit",
    "rate",
    "amount",
    "paid",
    "group",
    "formula",
)
"""Columns of bill.csv."""
DIFFERENCE_COLUMNS = ("component", "label", "billed", "invoiced", "difference", "reason")
"""Columns of differences.csv."""
BILL_NAMES = ("bill.txt", "bill.csv", "bill.json", "differences.csv")
"""Names of the files that a bill may have left in its folder."""

BILL_CAUTION = (
    "A check of arithmetic, not an invoice: prices, levies and rules are as the contract file states them. "
    "Have the contract itself and, where it matters, a licensed adviser decide."
)
"""What stands on every bill."""

Writer = Callable[[Path], None]


def bill_text(bill: Bill, profile: Profile, notes: Iterable[str] = ()) -> str:
    """Return a bill as text: every line with quantity, rate, amount and its formula in words.

    Parameters
    ----------
    bill : Bill
        The bill. [-]
    profile : Profile
        What it bills. [-]
    notes : iterable of str
        Sentences to tell. [-]

    Returns
    -------
    str
        Text. [-]
    """
    horizon = profile.horizon
    energy = float((profile.power_mw * horizon.hours).sum())
    lines = [
        f"Bill under {plain(bill.contract)}, {bill.currency}",
        f"  {spoken_start(horizon, 0)} to {spoken_minute(horizon, horizon.end_min)} ({horizon.timezone}), "
        f"{len(horizon)} intervals, {fixed(energy, 3, True)} MWh, highest interval "
        f"{fixed(float(profile.power_mw.max()), 3)} MW",
    ]
    lines += [f"  Note: {plain(note)}" for note in notes]
    component = ""
    for billed in bill.lines:
        line = billed.line
        if line.component != component:
            component = line.component
            lines.append(f"\n{plain(component)}")
        lines.append(
            f"  {plain(line.label):<52.52} {fixed(line.quantity, 3, True):>18} {line.quantity_unit:<8} x "
            f"{fixed(line.rate, 4, True):>14} = {fixed(billed.paid, 2, True):>16}"
        )
        lines.append(f"    {plain(line.formula)}")
    lines += ["", *_sums(bill, energy), "", BILL_CAUTION]
    return "\n".join(lines) + "\n"


def _sums(bill: Bill, energy_mwh: float) -> list[str]:
    rows = [(name, amount) for name, amount in bill.by_component().items()]
    rows.append(("sum of all lines", bill.net))
    if bill.vat_percent:
        rows += [(f"value-added tax {bill.vat_percent:g} %", bill.vat), ("total", bill.total)]
    lines = [f"{name:<40} {fixed(amount, 2, True):>18} {bill.currency}" for name, amount in rows]
    if energy_mwh:
        average = f"{fixed(bill.net / energy_mwh, 4, True):>18} {bill.currency}/MWh"
        lines.append(f"{'average of all lines':<40} {average}")
    return lines


def differences_text(differences: Sequence[Difference], currency: str) -> str:
    """Return what an invoice differs by, as text.

    Parameters
    ----------
    differences : sequence of Difference
        Every line of bill and invoice. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    str
        Text. [-]
    """
    differing = [d for d in differences if d.reason]
    if not differing:
        return f"Invoice: all {len(differences)} lines agree within {SAME_MONEY} {currency}.\n"
    total = sum(d.amount for d in differing)
    lines = [
        f"Invoice: {len(differing)} of {len(differences)} lines differ, {fixed(total, 2, True)} {currency} "
        "in sum (invoice less bill)."
    ]
    for d in differing:
        lines.append(
            f"  {plain(d.component)}, {plain(d.label)}: by contract {_money(d.billed)}, "
            f"invoiced {_money(d.invoiced)}, difference {fixed(d.amount, 2, True)}: {plain(d.reason)}"
        )
    return "\n".join(lines) + "\n"


def _money(amount: float | None) -> str:
    return "nothing" if amount is None else fixed(amount, 2, True)


def bill_document(
    bill: Bill,
    profile: Profile,
    digests: Mapping[str, str],
    notes: Iterable[str] = (),
    differences: Sequence[Difference] = (),
) -> Json:
    """Return a bill as a tree of dictionaries and lists in a stable order.

    Parameters
    ----------
    bill : Bill
        The bill. [-]
    profile : Profile
        What it bills. [-]
    digests : mapping
        SHA-256 of each input. [-]
    notes : iterable of str
        Sentences to tell. [-]
    differences : sequence of Difference
        Lines of bill and invoice; empty without an invoice. [-]

    Returns
    -------
    dict
        The document. [-]
    """
    horizon = profile.horizon
    return {
        "schema_version": 1,
        "caution": BILL_CAUTION,
        "contract": bill.contract,
        "currency": bill.currency,
        "start": horizon.local_starts[0].isoformat(timespec="minutes"),
        "intervals": len(horizon),
        "energy_mwh": tidy(float((profile.power_mw * horizon.hours).sum())),
        "notes": list(notes),
        "lines": [
            {
                "component": billed.line.component,
                "label": billed.line.label,
                "quantity": tidy(billed.line.quantity),
                "quantity_unit": billed.line.quantity_unit,
                "rate": tidy(billed.line.rate),
                "amount": tidy(billed.line.amount),
                "paid": tidy(billed.paid),
                "group": billed.line.group,
                "formula": billed.line.formula,
            }
            for billed in bill.lines
        ],
        "by_component": {name: tidy(amount) for name, amount in bill.by_component().items()},
        "net": tidy(bill.net),
        "vat_percent": tidy(bill.vat_percent),
        "vat": tidy(bill.vat),
        "total": tidy(bill.total),
        "differences": [
            {
                "component": d.component,
                "label": d.label,
                "billed": tidy(d.billed),
                "invoiced": tidy(d.invoiced),
                "difference": tidy(d.amount),
                "reason": d.reason,
            }
            for d in differences
        ],
        "inputs": dict(digests),
    }


def bill_csv(bill: Bill) -> str:
    """Return a bill as CSV (RFC 4180 with line feeds): a header line, then one row per line of the bill.

    Parameters
    ----------
    bill : Bill
        The bill. [-]

    Returns
    -------
    str
        Text of bill.csv. [-]
    """
    return csv_text(
        BILL_COLUMNS,
        (
            (
                billed.line.component,
                billed.line.label,
                f"{billed.line.quantity:.6f}",
                billed.line.quantity_unit,
                f"{billed.line.rate:.6f}",
                f"{billed.line.amount:.6f}",
                f"{billed.paid:.6f}",
                billed.line.group,
                billed.line.formula,
            )
            for billed in bill.lines
        ),
    )


def differences_csv(differences: Sequence[Difference]) -> str:
    """Return the lines of bill and invoice side by side as CSV.

    Parameters
    ----------
    differences : sequence of Difference
        Every line of bill and invoice. [-]

    Returns
    -------
    str
        Text of differences.csv; an amount that stands on one side only is empty on the other. [-]
    """
    return csv_text(
        DIFFERENCE_COLUMNS,
        (
            (
                d.component,
                d.label,
                "" if d.billed is None else f"{d.billed:.6f}",
                "" if d.invoiced is None else f"{d.invoiced:.6f}",
                f"{d.amount:.6f}",
                d.reason,
            )
            for d in differences
        ),
    )


def bill_files(
    bill: Bill,
    profile: Profile,
    digests: Mapping[str, str],
    notes: Iterable[str] = (),
    differences: Sequence[Difference] | None = None,
) -> dict[str, Writer]:
    """Return the writer of each file of a bill's folder.

    Parameters
    ----------
    bill : Bill
        The bill. [-]
    profile : Profile
        What it bills. [-]
    digests : mapping
        SHA-256 of each input. [-]
    notes : iterable of str
        Sentences to tell. [-]
    differences : sequence of Difference, optional
        Lines of bill and invoice; None without an invoice. [-]

    Returns
    -------
    dict
        Writers by file name. [-]
    """
    told = tuple(notes)
    text = bill_text(bill, profile, told)
    document = bill_document(bill, profile, digests, told, differences or ())
    contents = {"bill.csv": bill_csv(bill), "bill.json": json.dumps(document, indent=2) + "\n"}
    if differences is not None:
        text += "\n" + differences_text(differences, bill.currency)
        contents["differences.csv"] = differences_csv(differences)
    contents = {"bill.txt": text, **contents}

    def writer(content: str) -> Writer:
        def write(path: Path) -> None:
            path.write_text(content, encoding="utf-8", newline="")

        return write

    return {name: writer(content) for name, content in contents.items()}
