"""A supplier's invoice as a table of lines.

Owns the columns. The comparison stands in `models.contract.invoice`.
"""

from __future__ import annotations

from models.contract.component import Component
from models.contract.invoice import InvoiceLine
from scheduler.read.files import Source
from scheduler.read.problems import Problems, hint
from scheduler.read.tables import Columns, read_table

COLUMNS = Columns(("component", "amount"), ("label", "quantity", "rate", "note"))


def read_invoice(
    source: Source, components: tuple[Component, ...], problems: Problems
) -> tuple[InvoiceLine, ...]:
    """Return the lines of an invoice.

    Parameters
    ----------
    source : Source
        CSV or XLSX table. [-]
    components : tuple of Component
        Components of the contract; a line for anything else is named as a difference later. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    tuple of InvoiceLine
        The lines that could be read. [-]
    """
    names = [part.name for part in components]
    lines = []
    seen: dict[tuple[str, str], str] = {}
    for row in read_table(source, COLUMNS, problems):
        component = row.text("component")
        amount = row.number("amount")
        label = (row.text("label") if row.has("label") else "") or ""
        quantity = row.number("quantity") if row.has("quantity") else None
        rate = row.number("rate") if row.has("rate") else None
        if component is None or amount is None:
            continue
        close = hint(component, names) if component not in names else ""
        if close.startswith("; did you mean"):
            row.fault("component", f"must be a component of the contract, or a name of its own{close}")
            continue
        key = (component, label.casefold())
        if key in seen:
            row.fault("component", f"has a second line '{label}', the first in {seen[key]}; add them up")
            continue
        seen[key] = row.place
        lines.append(InvoiceLine(component, amount, label, quantity, rate))
    return tuple(lines)
