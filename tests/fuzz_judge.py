"""What a case may end in, judged from the drawn site itself and never by the project's reader."""

from __future__ import annotations

import csv
import html.parser
import itertools
import re
import tomllib
import zipfile
from pathlib import Path

from tests.fuzz_odd import CHLORINE_T_PER_KAH
from tests.fuzz_works import Drawn


def judged(drawn: Drawn, folder: Path, out: Path, code: int, stdout: str, stderr: str) -> list[str]:
    """Return what is wrong with the end of a case."""
    faults = []
    if code not in (0, 2, 3, 4):
        faults.append(f"exit code {code}")
    text = stdout + stderr
    odd = {c for c in text if c != "\n" and not c.isprintable()}
    if odd:
        faults.append(f"control characters in the words: {sorted(odd)!r}")
    left = [p.name for p in folder.iterdir() if p.name.startswith(".out.") and p.name != ".out.lock"]
    if left:
        faults.append(f"left beside the folder: {left}")
    if code == 2:
        faults += error_faults(stderr)
        if out.exists():
            faults.append("an error, yet a folder")
        return faults
    if drawn.command not in ("plan", "sheet", "replan") and out.is_dir():
        faults += acting_faults(out)
    if code == 3 and not any(word in text for word in ("NOT A PLAN", "duty", "miss", "Error:")):
        faults.append("exit 3 without a word why")
    if drawn.command in ("plan", "sheet", "replan"):
        if not out.is_dir():
            if code != 4 and not (code == 3 and "Error:" in stderr):
                faults.append(f"exit {code} without a folder")
            return faults
        faults += folder_faults(out, code, stdout)
        if code == 0 and drawn.command != "replan":
            try:
                faults += limit_faults(drawn, folder, out)
            except (KeyError, ValueError, TypeError) as error:
                faults.append(f"check of limits not possible: {error!r}")
    return faults


def error_faults(stderr: str) -> list[str]:
    """Return what a message of bad input lacks: a head, and for each problem a place and words."""
    body = stderr[stderr.find("Error:") :]
    if not body.startswith("Error:"):
        return ["bad input without a message"]
    lines = body.splitlines()
    match = re.fullmatch(r"Error: (\d+) problems? in the inputs:", lines[0])
    if match is None:
        return [] if len(lines[0]) > 20 else [f"short message: {lines[0]!r}"]
    problems = [line for line in lines[1:] if line.startswith("  ")]
    if len(problems) != int(match[1]):
        return [f"{match[1]} problems announced, {len(problems)} lines told"]
    return [f"a problem without a place: {line[:80]!r}" for line in problems if ": " not in line]


NEEDED = ("plan.json", "chart.png", "summary.txt", "page.html")


def folder_faults(out: Path, code: int, stdout: str) -> list[str]:
    """Return what is wrong with a published folder: missing files, markup or formulas that act."""
    names = {path.name for path in out.iterdir()}
    bad = "not_a_plan.csv" in names
    expected = {
        *NEEDED,
        *(
            ("not_a_plan.csv", "not_a_plan.xlsx")
            if bad
            else ("plan.csv", "plan.xlsx", "sheet.pdf", "sheet.html")
        ),
    }
    faults = [f"{name} is missing" for name in sorted(expected - names)]
    if bad and code != 3:
        faults.append(f"NOT A PLAN with exit {code}")
    if bad and "NOT A PLAN" not in stdout:
        faults.append("a broken plan is not called NOT A PLAN")
    return faults + acting_faults(out)


def acting_faults(out: Path) -> list[str]:
    """Return markup and formulas of inputs that would act in the files of a folder."""
    faults: list[str] = []
    for path in out.glob("*.html"):
        faults += [f"{path.name}: {text}" for text in page_faults(path.read_text(encoding="utf-8"))]
    for path in out.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.reader(stream):
                faults += [f"{path.name}: cell {cell[:40]!r} acts as a formula" for cell in row if acts(cell)]
    for path in out.glob("*.xlsx"):
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as book:
                for name in book.namelist():
                    inside = book.read(name)
                    # ECMA-376: a formula is an element <f>; a link out of the book has an external target.
                    if re.search(rb"<f[ >]", inside) or b'TargetMode="External"' in inside:
                        faults.append(f"{path.name}: formula or link in {name}")
    return faults


def acts(cell: str) -> bool:
    """Return whether a spreadsheet would take a text cell for a formula (OWASP, CSV injection)."""
    if not cell.startswith(("=", "+", "-", "@", "\t", "\r")):
        return False
    try:
        float(cell)
    except ValueError:
        return True
    return False


class _Page(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.faults: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("img", "iframe", "object", "embed", "base", "form"):
            self.faults.append(f"<{tag}> in a page that has none")
        for name, value in attrs:
            if name.startswith("on") or "javascript:" in (value or "").lower():
                self.faults.append(f"{name} on <{tag}>")


def page_faults(text: str) -> list[str]:
    """Return markup in a page that came from inputs."""
    page = _Page()
    page.feed(text)
    if any(sign in text for sign in ("<script>alert", "<b onmouseover", "<img")):
        page.faults.append("markup of an input stands as it came")
    if "root:x:0" in text:
        page.faults.append("another file's content")
    return page.faults


def limit_faults(drawn: Drawn, folder: Path, out: Path) -> list[str]:
    """Hold a valid plan against the limits of its site file, read here by `tomllib` alone."""
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8-sig"))
    with (out / "plan.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    hours = [float(row["minutes"]) / 60.0 for row in rows]

    def column(name: str) -> list[float]:
        return [float(row[name]) for row in rows]

    faults: list[str] = []

    def within(name: str, values: list[float], low: float, high: float) -> None:
        slack = 2e-3 + 1e-3 * abs(high)
        bad = [v for v in values if not low - slack <= v <= high + slack]
        if bad:
            faults.append(f"{name} = {bad[0]} outside {low} to {high}")

    facts = drawn.tables.get("availability")
    drawn_power = [0.0] * len(rows)
    for unit in site["unit"]:
        name = unit["name"]
        if unit["kind"] == "circuit":
            loads = column(f"{name}_load_ka")
            area = unit["area_m2"] * unit.get("electrolysers_in_parallel", 1)
            rectifier = unit["rectifier"]
            high = min(
                unit["density_max_ka_per_m2"] * area, rectifier["units"] * rectifier["unit_load_max_ka"]
            )
            within(f"{name} load", [v for v in loads if v > 0], unit["density_min_ka_per_m2"] * area, high)
            if facts is None and any(v == 0 for v in loads):
                faults.append(f"{name} is out without a fact")
            cells = unit["cells_in_series"] * CHLORINE_T_PER_KAH
            made = column(f"{name}_chlorine_t_per_h")
            share = column(f"{name}_current_efficiency")
            if facts is None:
                for load, tonnes, ce in zip(loads, made, share, strict=True):
                    if abs(load * cells * ce - tonnes) > 2e-3 * tonnes:
                        faults.append(f"{name}: {tonnes} t/h is not what {load} kA makes by Faraday's law")
                        break
            within(f"{name} current efficiency", share, 0.0, 1.0)
            ramp = unit.get("ramp_ka_per_min")
            if ramp and facts is None and "locks" not in drawn.tables and drawn.command == "plan":
                most = ramp * unit.get("ramp_minutes", 15.0)
                within(f"{name} change", [abs(b - a) for a, b in itertools.pairwise(loads)], 0.0, most)
            step = unit.get("step_ka")
            if step and "locks" not in drawn.tables and drawn.command == "plan":
                on_day = [v for v, row in zip(loads, rows, strict=True) if row["plan_day"] == "1"]
                off = [v for v in on_day if abs(v / step - round(v / step)) > 1e-4 and v < high - 1e-3]
                if off and facts is None:
                    faults.append(f"{name} load {off[0]} is no whole step of {step}")
            drawn_power = [a + b for a, b in zip(drawn_power, column(f"{name}_ac_power_mw"), strict=True)]
        elif unit["kind"] == "site_meter":
            within("import", column(f"{name}_import_mw"), 0.0, unit["import_max_mw"])
        elif unit["kind"] == "pipeline" and name == "neighbour":
            takes = column(f"{name}_take_t_per_h")
            within(f"{name} take", takes, unit.get("min_t_per_h", 0.0), unit.get("max_t_per_h", 1e9))
            day = [t * h for t, h, row in zip(takes, hours, rows, strict=True) if row["plan_day"] == "1"]
            span = sum(h for h, row in zip(hours, rows, strict=True) if row["plan_day"] == "1")
            share_ = unit.get("daily_tolerance_percent", 0.0) / 100.0
            total = unit["nominal_t_per_h"] * span
            within(f"{name} of the day", [sum(day)], (1 - share_) * total, (1 + share_) * total)
        elif unit["kind"] == "product_store":
            levels = column(f"{name}_level_t")
            within(f"{name} level", levels, unit["min_t"], unit["max_t"])
            within(f"{name} at the end", [levels[-1]], unit.get("end_min_t", 0.0), unit["max_t"])
        elif unit["kind"] == "chlorine_store":
            vessels = (unit["vessels"] - unit.get("empty_vessels", 1)) * unit["vessel_t"]
            low = unit.get("cover_min_t", 0.0)
            within(f"{name} level", column(f"{name}_level_t"), low, min(vessels, unit["permit_t"]))
    imported = column("meter_import_mw")
    # The other load may be negative, where a site makes power of its own.
    if not any("series" in unit for unit in site["unit"]) and any(
        power > meter + 2e-3 for power, meter in zip(drawn_power, imported, strict=True)
    ):
        faults.append("circuits draw more than the meter")
    orders = drawn.tables.get("orders")
    if orders is not None and "orders" not in drawn.files and not drawn.damaged:
        for row in orders.rows:
            name = f"{row['order']}_loading_t_per_h"
            if name in rows[0]:
                loaded = sum(v * h for v, h in zip(column(name), hours, strict=True))
                within(name, [loaded], float(row["quantity_t"]), float(row["quantity_t"]))
    return faults
