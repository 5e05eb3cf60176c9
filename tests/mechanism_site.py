"""A site file of one small circuit, written into a folder, for the tests of new kinds.

Owns TOML text and tables only. The circuit is that of `tests.binding_cases`: 0.2 I + 0.01 I2 MW between 1
and 9 kA. A day has 24 hours, twelve at one price and twelve at another.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from tests.binding_cases import T_PER_KA

__all__ = ["T_PER_KA", "write_site"]

_SITE = """
name = "test works (invented)"
timezone = "Europe/Berlin"
currency = "XTS"

[horizon]
day = 2026-06-08
minutes = 60
look_ahead_days = 0

[files]
prices = "prices.csv"
orders = "orders.csv"
stocks = "stocks.csv"

[contract]
name = "test"

[[contract.component]]
kind = "spot"
name = "spot"
{components}
{head}
[[unit]]
kind = "circuit"
name = "room"
technology = "membrane_zero_gap"
salt = "NaCl"
cells_in_series = 100
area_m2 = 1.0
density_min_ka_per_m2 = 1.0
density_max_ka_per_m2 = {density_max}
voltage = {{ intercept_v = 2.0, k_v_m2_per_ka = 0.1 }}
efficiency = {{ ce0 = 1.0, hydrogen = 1.0 }}
rectifier = {{ units = 1, unit_load_max_ka = 100.0, dc_voltage_max_v = 10000.0, drop_v = 0.0 }}
alkali = "naoh_50"
chlorine = "chlorine"

[[unit]]
kind = "outlet"
name = "soda_out"
commodity = "naoh_50"
rate_max_per_h = 1000.0

[[unit]]
kind = "outlet"
name = "hydrogen_out"
commodity = "hydrogen"
rate_max_per_h = 1000.0

[[unit]]
kind = "site_meter"
name = "meter"
import_max_mw = 100.0
{units}
"""


def write_site(
    folder: Path,
    units: str,
    cheap: float,
    dear: float,
    stocks: Mapping[str, float],
    *,
    head: str = "",
    components: str = "",
    orders: str = "",
    density_max: float = 9.0,
) -> Path:
    """Write a site file with its tables; return its path."""
    path = folder / "site.toml"
    text = _SITE.format(units=units, head=head, components=components, density_max=density_max)
    path.write_text(text, encoding="utf-8")
    prices = [f"2026-06-08T{hour:02d}:00+02:00,60,{cheap if hour < 12 else dear}" for hour in range(24)]
    (folder / "prices.csv").write_text("\n".join(["start,minutes,price_per_mwh", *prices, ""]))
    levels = [f"{name},{level}" for name, level in stocks.items()]
    (folder / "stocks.csv").write_text("\n".join(["tank,level_t", *levels, ""]))
    columns = "order,product,mode,quantity_t,window_start,window_end,customer,rate_max_t_per_h"
    (folder / "orders.csv").write_text(f"{columns}\n{orders}\n")
    return path
