"""A supplier's invoice beside the contract's own bill: what differs, line by line.

Owns the matching of lines and the size of what counts as a difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.contract.bill import Bill, BilledLine

SAME_MONEY = 0.005
"""Difference of two amounts that counts as none: half a cent. [currency]"""


@dataclass(frozen=True)
class InvoiceLine:
    """One line of an invoice.

    Parameters
    ----------
    component : str
        Component of the contract that the line belongs to. [-]
    amount : float
        Amount, negative for a credit. [currency]
    label : str
        Label of the line on the contract's bill; empty for the sum of a component. [-]
    quantity, rate : float, optional
        Quantity and price as invoiced. [as on the bill]
    """

    component: str
    amount: float
    label: str = ""
    quantity: float | None = None
    rate: float | None = None


@dataclass(frozen=True)
class Difference:
    """One line of the contract's bill beside the invoice's.

    Parameters
    ----------
    component, label : str
        What is charged. [-]
    billed, invoiced : float or None
        Amount by the contract and on the invoice; None where it stands on one of them only. [currency]
    reason : str
        What differs, in words: quantity, rate, amount, or a line that is missing; empty if nothing. [-]
    """

    component: str
    label: str
    billed: float | None
    invoiced: float | None
    reason: str

    @property
    def amount(self) -> float:
        """Invoice less bill. [currency]."""
        return (self.invoiced or 0.0) - (self.billed or 0.0)


def compare(bill: Bill, invoice: Sequence[InvoiceLine]) -> tuple[Difference, ...]:
    """Return every line of a bill beside an invoice.

    Parameters
    ----------
    bill : Bill
        The contract's own bill. [-]
    invoice : sequence of InvoiceLine
        The invoice. A line with a label is compared with the bill's line of that component and label, one
        without with the sum of the component's lines that no other line names. [-]

    Returns
    -------
    tuple of Difference
        In the order of the bill; then what stands on the invoice only. [-]
    """
    found: list[Difference] = []
    named = {(line.component, line.label.casefold()): line for line in invoice if line.label}
    summed = {line.component: line for line in invoice if not line.label}
    rest: dict[str, list[BilledLine]] = {}
    used: set[tuple[str, str]] = set()
    for billed in bill.lines:
        key = (billed.line.component, billed.line.label.casefold())
        line = named.get(key)
        if line is not None:
            used.add(key)
            found.append(_difference(billed, line))
        else:
            rest.setdefault(billed.line.component, []).append(billed)
    for component, lines in rest.items():
        line = summed.get(component)
        if line is None:
            found += [
                Difference(component, billed.line.label, billed.paid, None, "not on the invoice")
                for billed in lines
            ]
            continue
        paid = round(sum(billed.paid for billed in lines), 9)
        reason = "" if _same(paid, line.amount) else "amount"
        label = lines[0].line.label if len(lines) == 1 else f"{len(lines)} lines together"
        found.append(Difference(component, label, paid, line.amount, reason))
    for key, line in named.items():
        if key not in used:
            found.append(Difference(line.component, line.label, None, line.amount, "not in the contract"))
    for component, line in summed.items():
        if component not in rest:
            found.append(Difference(component, "all lines", None, line.amount, "not in the contract"))
    return tuple(found)


def _same(one: float, other: float) -> bool:
    # Sums of cents carry rounding in their last bits.
    return abs(one - other) <= SAME_MONEY + 1e-9


def _difference(billed: BilledLine, line: InvoiceLine) -> Difference:
    own = billed.line
    if _same(billed.paid, line.amount):
        return Difference(own.component, own.label, billed.paid, line.amount, "")
    reasons = []
    if line.quantity is not None and abs(line.quantity - own.quantity) > 1e-6 * max(abs(own.quantity), 1.0):
        reasons.append(f"quantity {line.quantity:,.6g} in place of {own.quantity:,.6g} {own.quantity_unit}")
    if line.rate is not None and abs(line.rate - own.rate) > 1e-6 * max(abs(own.rate), 1e-3):
        reasons.append(f"rate {line.rate:,.6g} in place of {own.rate:,.6g}")
    return Difference(own.component, own.label, billed.paid, line.amount, "; ".join(reasons) or "amount")
