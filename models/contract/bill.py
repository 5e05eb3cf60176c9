"""The bill of a profile: lines rounded as the contract says, sums, tax.

Owns rounding and sums. What is charged stands in the components, which know no rounding: a plan is made by
unrounded charges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from models.contract.component import BillLine, Contract, Profile
from models.situation import Situation


@dataclass(frozen=True)
class BilledLine:
    """A line of a bill with the amount that is paid.

    Parameters
    ----------
    line : BillLine
        The line, not rounded. [-]
    paid : float
        Amount as rounded by the contract. [currency]
    """

    line: BillLine
    paid: float


@dataclass(frozen=True)
class Bill:
    """A bill: lines, sums, tax.

    Parameters
    ----------
    contract : str
        Name of the contract. [-]
    currency : str
        ISO 4217 code. [-]
    lines : tuple of BilledLine
        The lines. [-]
    vat_percent : float
        Value-added tax. [%]
    round_digits : int or None
        Decimal places of a line. [-]
    """

    contract: str
    currency: str
    lines: tuple[BilledLine, ...]
    vat_percent: float = 0.0
    round_digits: int | None = None

    @property
    def net(self) -> float:
        """Sum of all lines as paid. [currency]."""
        return float(sum(Decimal(repr(billed.paid)) for billed in self.lines))

    @property
    def vat(self) -> float:
        """Value-added tax on the sum, rounded like a line. [currency]."""
        return rounded(self.net * self.vat_percent / 100.0, self.round_digits)

    @property
    def total(self) -> float:
        """Sum with tax. [currency]."""
        return float(Decimal(repr(self.net)) + Decimal(repr(self.vat)))

    @property
    def unrounded(self) -> float:
        """Sum of all lines before rounding and tax: what a plan is made by. [currency]."""
        return sum(billed.line.amount for billed in self.lines)

    def by_component(self) -> dict[str, float]:
        """Return the sum of each component's lines as paid.

        Returns
        -------
        dict
            Sums by name of the component, in the order of the contract. [currency]
        """
        sums: dict[str, Decimal] = {}
        for billed in self.lines:
            name = billed.line.component
            sums[name] = sums.get(name, Decimal(0)) + Decimal(repr(billed.paid))
        return {name: float(total) for name, total in sums.items()}


def rounded(amount: float, digits: int | None) -> float:
    """Return an amount of money rounded half up, as people round it.

    Parameters
    ----------
    amount : float
        Amount. [currency]
    digits : int or None
        Decimal places; None leaves it as it is. [-]

    Returns
    -------
    float
        Amount. [currency]
    """
    if digits is None:
        return amount
    # A product of float prices misses the half of a cent by its last bits; six more places are noise.
    exact = Decimal(repr(round(amount, digits + 6)))
    return float(exact.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP))


def bill_of(contract: Contract, lines: Sequence[BillLine]) -> Bill:
    """Return the bill of some lines.

    Parameters
    ----------
    contract : Contract
        The contract, for its rules of rounding and tax. [-]
    lines : sequence of BillLine
        The lines, not rounded. [-]

    Returns
    -------
    Bill
        The bill. [-]
    """
    digits = contract.round_digits
    return Bill(
        contract.name,
        contract.currency,
        tuple(BilledLine(line, rounded(line.amount, digits)) for line in lines),
        contract.vat_percent,
        digits,
    )


def make_bill(contract: Contract, profile: Profile, situation: Situation) -> Bill:
    """Return the bill of a metered profile.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    profile : Profile
        Metered load. [-]
    situation : Situation
        Prices, and the state of the billing periods. [-]

    Returns
    -------
    Bill
        The bill. [-]

    Raises
    ------
    ValueError
        If a component lacks a series or a value that it bills by.
    """
    return bill_of(contract, contract.bill(profile, situation))
