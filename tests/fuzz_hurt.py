"""What is done to the files of a works: changes that stay valid, and damage."""

from __future__ import annotations

import copy
import datetime as dt
import io
import random
import re
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import openpyxl
import tomlkit

from tests.fuzz_odd import ODD_NAMES, ODD_NUMBERS, ODD_TIMES, ODD_VALUES, TEXTS, Toml
from tests.fuzz_works import Drawn, Table

# ---------------------------------------------------------------- changes that stay valid


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every leaf of nested dicts and lists."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        if isinstance(inner, dict | list) and inner:
            yield from leaves(inner, (*path, key))
        else:
            yield (*path, key)


def holder(value: Any, path: tuple[Any, ...]) -> Any:
    """Return what holds the leaf at a path."""
    for key in path[:-1]:
        value = value[key]
    return value


def other_numbers(rng: random.Random, drawn: Drawn) -> str:
    """Move some numbers of the site by a few percent."""
    paths = [p for p in leaves(drawn.site) if isinstance(holder(drawn.site, p)[p[-1]], float)]
    for path in rng.sample(paths, min(3, len(paths))):
        holder(drawn.site, path)[path[-1]] *= rng.uniform(0.97, 1.03)
    return "numbers of the site"


def other_prices(rng: random.Random, drawn: Drawn) -> str:
    """Make prices negative, wild, flat or very large."""
    rows = drawn.tables["prices"].rows
    how = rng.choice(["shift", "flat", "spike", "zero", "noise", "large"])
    for i, row in enumerate(rows):
        old = float(row["price_per_mwh"])
        row["price_per_mwh"] = {
            "shift": round(old - 60.0, 2),
            "flat": 50.0,
            "spike": rng.choice([-500.0, 4000.0]) if i == len(rows) // 2 else old,
            "zero": 0.0,
            "noise": round(rng.gauss(40.0, 80.0), 2),
            "large": round(old * 50.0, 2),
        }[how]
    return f"prices {how}"


def finer_prices(rng: random.Random, drawn: Drawn) -> str:
    """Write each price as four of 15 minutes."""
    rows = []
    for row in drawn.tables["prices"].rows:
        start = dt.datetime.fromisoformat(row["start"])
        for k in range(4):
            moment = (start.astimezone(dt.UTC) + dt.timedelta(minutes=15 * k)).isoformat(timespec="minutes")
            rows.append({**row, "start": moment, "minutes": 15})
    drawn.tables["prices"].rows = rows
    return "prices by the quarter hour"


def other_orders(rng: random.Random, drawn: Drawn) -> str:
    """Change quantities and windows, or add an order."""
    if "orders" not in drawn.tables:
        return other_prices(rng, drawn)
    rows = drawn.tables["orders"].rows
    row = rng.choice(rows)
    day = str(row["window_start"])[:10]
    first = rng.randint(0, 20)
    row["quantity_t"] = float(row["quantity_t"]) * rng.choice([0.2, 0.8, 1.2, 2.0, 6.0])
    row["window_start"], row["window_end"] = (
        f"{day}T{first:02}:00",
        f"{day}T{rng.randint(first + 1, 23):02}:00",
    )
    if rng.random() < 0.3:
        rows.append({**row, "order": "further"})
    return "orders"


def other_stock(rng: random.Random, drawn: Drawn) -> str:
    """Start fuller or emptier, also outside a limit."""
    for row in drawn.tables["stocks"].rows:
        for key in ("level_t", "level_percent"):
            if key in row:
                row[key] = float(row[key]) * rng.choice([0.2, 0.7, 0.9, 1.1, 1.5, 1.6])
    return "stocks"


def outage(rng: random.Random, drawn: Drawn) -> str:
    """Take the room out for some hours, or limit it."""
    day = drawn.day
    first = rng.randint(0, 18)
    what, value = rng.choice([("in_service", 0), ("load_max_ka", 9.0), ("electrolysers", 0)])
    end = f"{day}T{first + rng.randint(1, 5):02}:00"
    row = {
        "unit": "room_a",
        "what": what,
        "value": value,
        "start": f"{day}T{first:02}:00",
        "end": end,
        "note": "",
    }
    drawn.tables["availability"] = Table([row])
    return "outage"


def strange_text(rng: random.Random, drawn: Drawn) -> str:
    """Put strange text wherever text of people may stand."""
    text = rng.choice(TEXTS)
    place = rng.choice(
        ["name", "notes", "contacts", "contract", "adder", "customer", "note", "fact", "group"]
    )
    site = drawn.site
    if place == "name":
        site["name"] = text
    elif place == "notes":
        site["notes"] = [text]
    elif place == "contacts":
        site["contacts"] = [{"role": text, "how": rng.choice(TEXTS)}]
    elif place == "group":
        next(unit for unit in site["unit"] if unit["name"] == "hydrogen_out")["group"] = text
    elif place in ("contract", "adder"):
        holds = site["contract"] if "contract" in site else drawn.tables["contract"].rows[0]
        if place == "contract":
            holds["name"] = text
        elif "adders_per_mwh" in holds["component"][0]:
            holds["component"][0]["adders_per_mwh"][0]["name"] = text
        else:
            holds["component"][0]["bands"][0]["name"] = text
    elif place == "fact":
        if "availability" not in drawn.tables:
            outage(rng, drawn)
        drawn.tables["availability"].rows[0]["note"] = text
    elif "orders" in drawn.tables:
        rng.choice(drawn.tables["orders"].rows)[place] = text
    else:
        site["notes"] = [text, text]
    return f"text in {place}"


def other_form(rng: random.Random, drawn: Drawn) -> str:
    """Write a table in another form that is as valid."""
    role = rng.choice([role for role, table in drawn.tables.items() if table.suffix == ".csv"])
    table = drawn.tables[role]
    if rng.random() < 0.3:
        table.suffix = ".xlsx"
        return f"{role} as workbook"
    table.separator, table.comma = rng.choice([(",", False), (";", True), (";", False)])
    table.bom, table.quoted = rng.random() < 0.5, rng.random() < 0.3
    table.line_end = rng.choice(["\n", "\r\n"])
    return f"{role} in another form"


def as_document(rng: random.Random, drawn: Drawn) -> str:
    """Write the prices as a market document."""
    table = drawn.tables["prices"]
    if any("price_per_mwh" not in row for row in table.rows):
        return other_form(rng, drawn)
    first = dt.datetime.fromisoformat(str(table.rows[0]["start"])).astimezone(dt.UTC)
    minutes = int(table.rows[0]["minutes"])
    end = first + dt.timedelta(minutes=minutes * len(table.rows))
    points = "".join(
        f"<Point><position>{n}</position><price.amount>{row['price_per_mwh']}</price.amount></Point>"
        for n, row in enumerate(table.rows, 1)
    )
    # What the elements mean is a value from memory of IEC 62325-451-3.
    drawn.files["prices"] = (
        '<?xml version="1.0" encoding="UTF-8"?><Publication_MarketDocument '
        'xmlns="urn:iec62325.351:tc57wg16:451-3:publicationdocument:7:3"><mRID>x</mRID><type>A44</type>'
        "<TimeSeries><mRID>1</mRID><in_Domain.mRID>Z</in_Domain.mRID>"
        "<currency_Unit.name>XTS</currency_Unit.name>"
        "<price_Measure_Unit.name>MWH</price_Measure_Unit.name><curveType>A01</curveType>"
        "<Period><timeInterval>"
        f"<start>{first:%Y-%m-%dT%H:%MZ}</start><end>{end:%Y-%m-%dT%H:%MZ}</end></timeInterval>"
        f"<resolution>PT{minutes}M</resolution>{points}</Period></TimeSeries></Publication_MarketDocument>"
    ).encode()
    drawn.names["prices"] = "prices.xml"
    return "prices as market document"


VALID: tuple[Callable[[random.Random, Drawn], str], ...] = (
    other_numbers,
    other_numbers,
    other_prices,
    finer_prices,
    other_orders,
    other_stock,
    outage,
    strange_text,
    strange_text,
    strange_text,
    other_form,
    other_form,
    as_document,
)


# ---------------------------------------------------------------- damage


def odd_cell(rng: random.Random, drawn: Drawn) -> str:
    """Put one strange value into a table."""
    role, table = some_table(rng, drawn)
    row = rng.choice(table.rows)
    name = rng.choice(list(row))
    pool: tuple[Any, ...] = ODD_NUMBERS
    if name in ("start", "end", "window_start", "window_end"):
        pool = ODD_TIMES
    elif isinstance(row[name], str):
        pool = (*TEXTS, "")
    row[name] = rng.choice(pool)
    return f"{role}.{name} = {str(row[name])[:30]!r}"


def some_table(rng: random.Random, drawn: Drawn) -> tuple[str, Table]:
    """Return one of the tables, with its role."""
    role = rng.choice([role for role, table in drawn.tables.items() if table.suffix != ".toml"])
    return role, drawn.tables[role]


def odd_rows(rng: random.Random, drawn: Drawn) -> str:
    """Double, drop or shuffle rows; drop, double or rename columns."""
    role, table = some_table(rng, drawn)
    how = rng.choice(["double", "drop", "shuffle", "no column", "rename", "more", "none"])
    name = rng.choice(table.columns)
    if how == "double":
        table.rows.append(dict(rng.choice(table.rows)))
    elif how == "drop":
        table.rows.pop(rng.randrange(len(table.rows)))
        if not table.rows:
            table.rows.append({"start": ""})
    elif how == "shuffle":
        rng.shuffle(table.rows)
    elif how == "no column":
        for row in table.rows:
            row.pop(name, None)
    elif how == "rename":
        new = rng.choice([name.upper(), name + " ", name[:-1], *TEXTS])
        table.rows = [
            {(new if key == name else key): value for key, value in row.items()} for row in table.rows
        ]
    elif how == "more":
        for row in table.rows:
            row[rng.choice(("remark", "=x", "<b>"))] = rng.choice(TEXTS)
    else:
        table.rows = [dict.fromkeys(table.columns, "")]
    return f"{role}: rows or columns ({how})"


def other_zone(rng: random.Random, drawn: Drawn) -> str:
    """Write the times of a table with another offset, or the site in another zone."""
    if rng.random() < 0.3:
        drawn.site["timezone"] = rng.choice(
            [
                "UTC",
                "America/New_York",
                "Asia/Kathmandu",
                "Mars/Base",
                "",
                "../x",
                "Europe/berlin",
                "Pacific/Apia",
            ]
        )
        return "zone of the site"
    role, table = some_table(rng, drawn)
    offset = rng.choice(["+00:00", "+05:45", "-03:00", "+02:00", "Z"])
    for row in table.rows:
        for key in ("start", "end", "window_start", "window_end"):
            if key in row:
                row[key] = str(row[key])[:16] + offset
    return f"{role}: offset {offset}"


def odd_key(rng: random.Random, drawn: Drawn) -> str:
    """Drop, rename or replace a key of the site or the contract."""
    target = drawn.site
    if "contract" in drawn.tables and rng.random() < 0.4:
        target = drawn.tables["contract"].rows[0]
    path = rng.choice(list(leaves(target)))
    box, key = holder(target, path), path[-1]
    how = rng.choice(["drop", "value", "value", "value", "rename"])
    if how == "drop":
        del box[key]
    elif how == "value":
        box[key] = rng.choice(ODD_VALUES)
    elif isinstance(box, dict):
        box[rng.choice([str(key) + "s", "x", "", "__class__", rng.choice(TEXTS)])] = box.pop(key)
    return f"site {'.'.join(map(str, path))} {how}"


def other_scale(rng: random.Random, drawn: Drawn) -> str:
    """Make a number of the site, the contract or a table far too large or too small, as a wrong unit does."""
    factor = rng.choice([1e-9, 1e-6, 1e-3, 0.1, 10.0, 1e3, 1e6, 1e9, 1e12, -1.0])
    boxes: list[Any] = [drawn.site, *(table.rows for table in drawn.tables.values())]
    box = rng.choice([boxes[0], boxes[0], *boxes])
    paths = [p for p in leaves(box) if type(holder(box, p)[p[-1]]) in (int, float)]
    path = rng.choice(paths)
    old = holder(box, path)[path[-1]]
    holder(box, path)[path[-1]] = old * factor if isinstance(old, float) else int(old * factor)
    return f"{'.'.join(map(str, path))} x {factor}"


def odd_unit(rng: random.Random, drawn: Drawn) -> str:
    """Double or drop a unit, or give it another name or kind."""
    units = drawn.site["unit"]
    unit = rng.choice(units)
    how = rng.choice(["double", "drop", "name", "kind", "swap"])
    if how == "double":
        units.append(copy.deepcopy(unit))
    elif how == "drop":
        units.remove(unit)
    elif how == "name":
        unit["name"] = rng.choice((*TEXTS, "", "a" * 500, "Ä", "meter", "room_a", "start", "cost", "class"))
    elif how == "kind":
        unit["kind"] = rng.choice(("", "circuits", "pipeline", "outlet", *TEXTS))
    else:
        rng.shuffle(units)
    return f"unit {how}"


def content(drawn: Drawn, role: str) -> bytes:
    """Return a file's bytes as they are so far."""
    if role == "site":
        return drawn.files.get("site") or toml_bytes(drawn.site)
    if drawn.files.get(role):
        return drawn.files[role]
    table = drawn.tables[role]
    return toml_bytes(table.rows[0]) if table.suffix == ".toml" else table.data()


def toml_bytes(values: Toml) -> bytes:
    """Return TOML of nested values; what TOML cannot hold is written as text."""
    return tomlkit.dumps(values).encode("utf-8", "replace")


def some_file(rng: random.Random, drawn: Drawn) -> str:
    """Return the role of one of the files."""
    return rng.choice(["site", *drawn.tables])


def odd_bytes(rng: random.Random, drawn: Drawn) -> str:
    """Damage the bytes of a file."""
    role = some_file(rng, drawn)
    data = content(drawn, role)
    at = rng.randrange(max(len(data), 1))
    how = rng.choice(
        [
            "flip",
            "cut",
            "repeat",
            "nul",
            "latin",
            "utf16",
            "bom",
            "empty",
            "blank",
            "crlf",
            "cr",
            "long",
            "quote",
            "escape",
            "swap",
            "one",
        ]
    )
    some = bytes(rng.randrange(256) for _ in range(rng.randint(1, 8)))
    new = {
        "flip": data[:at] + some + data[at + len(some) :],
        "cut": data[:at],
        "repeat": data[:at] + data[at // 2 : at] * 3 + data[at:],
        "nul": data[:at] + b"\0" + data[at:],
        "latin": data[:at] + "äß".encode("latin-1") + data[at:],
        "utf16": data.decode("utf-8", "replace").encode("utf-16"),
        "bom": data[:at] + b"\xef\xbb\xbf" + data[at:],
        "empty": b"",
        "blank": b" \n\n\t ",
        "crlf": b"\r\n".join(data.split(b"\n")[:3]) + b"\r" + b"\n".join(data.split(b"\n")[3:]),
        "cr": data.replace(b"\n", b"\r"),
        "long": data + b"x" * 200_000 + b",1\n",
        "quote": data[:at] + b'"' + data[at:],
        "escape": data[:at] + b"\x1b[2J\x07" + data[at:],
        "swap": data.replace(b",", b";"),
        "one": data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :] if data else b"x",
    }[how]
    drawn.files[role] = new
    return f"bytes of {role}: {how}"


def odd_path(rng: random.Random, drawn: Drawn) -> str:
    """Put a folder, a link or nothing where a file should be, or name it strangely."""
    role = rng.choice(list(drawn.tables))
    how = rng.choice(["folder", "loop", "dangling", "secret", "fifo", "missing", "name", "markup", "markup"])
    if how == "name":
        drawn.names[role] = rng.choice(ODD_NAMES)
        drawn.odd_paths[role] = "none"
    elif how == "markup":
        suffix = Path(drawn.names.get(role, "x" + drawn.tables[role].suffix)).suffix
        drawn.names[role] = rng.choice(["<img src=x onerror=alert(1)>", "=1+1", "a​‮b", "a'\"&b"]) + suffix
    else:
        drawn.odd_paths[role] = how
    return f"path of {role}: {how}"


def bomb(rng: random.Random, drawn: Drawn) -> str:
    """Give a market document or a workbook that would blow up, or that reads other files."""
    kind = rng.choice(
        [
            "xml bomb",
            "xml entity",
            "xml deep",
            "zip bomb",
            "sheet bomb",
            "sheet entity",
            "formula",
            "merged",
            "cut book",
            "dates",
            "toml deep",
            "far cell",
        ]
    )
    role = rng.choice([r for r, t in drawn.tables.items() if t.suffix != ".toml"])
    entity = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;"><!ENTITY s SYSTEM "file:///etc/passwd">]>'
    if kind == "toml deep":
        drawn.files["site"] = content(drawn, "site") + b"\nq = " + b"[" * 5000 + b"]" * 5000 + b"\n"
        return kind
    if kind.startswith("xml"):
        if not drawn.files.get("prices"):
            as_document(rng, drawn)
        data = drawn.files["prices"].decode(errors="replace")
        if kind == "xml bomb":
            many = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 12))
            data = data.replace("?>", f'?><!DOCTYPE x [<!ENTITY e0 "ha">{many}]>', 1).replace(
                ">x<", ">&e11;<", 1
            )
        elif kind == "xml entity":
            data = data.replace("?>", f"?>{entity}", 1).replace(">x<", ">&s;<", 1)
        else:
            data = data.replace("<mRID>x</mRID>", "<a>" * 50_000 + "</a>" * 50_000, 1)
        drawn.files["prices"], drawn.names["prices"] = data.encode(), "prices.xml"
        return kind
    table = drawn.tables[role]
    table.suffix = ".xlsx"
    stream = io.BytesIO(table.data())
    drawn.names[role] = f"{role}.xlsx"
    if kind in ("formula", "merged", "dates", "far cell"):
        book = openpyxl.load_workbook(stream)
        sheet = book.worksheets[0]
        if kind == "formula":
            sheet.cell(2, rng.randint(1, len(table.columns))).value = "=1+1"
        elif kind == "merged":
            sheet.merge_cells(
                start_row=rng.randint(1, 2), end_row=3, start_column=1, end_column=rng.randint(1, 2)
            )
        elif kind == "far cell":
            sheet.cell(1_048_576, 16_384).value = 1
        else:
            sheet.cell(2, 1).value = rng.choice(
                [dt.datetime(2026, 6, 8), dt.time(6), dt.timedelta(1), 46181.0, True]
            )
        stream = io.BytesIO()
        book.save(stream)
        drawn.files[role] = stream.getvalue()
        return f"{role}: {kind}"
    data = stream.getvalue()
    if kind == "cut book":
        drawn.files[role] = data[: rng.randrange(len(data))]
        return f"{role}: {kind}"
    new = io.BytesIO()
    with zipfile.ZipFile(stream) as old, zipfile.ZipFile(new, "w", zipfile.ZIP_DEFLATED) as book_file:
        for name in old.namelist():
            inside = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                if kind == "zip bomb":
                    inside += b" " * 230_000_000
                elif kind == "sheet bomb":
                    many = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 12))
                    head = f'<!DOCTYPE x [<!ENTITY e0 "ha">{many}]>'.encode()
                    inside = head + re.sub(rb"<v>[^<]*</v>", b"<v>&e11;</v>", inside, count=1)
                else:
                    inside = entity.encode() + re.sub(rb"<v>[^<]*</v>", b"<v>&s;</v>", inside, count=1)
            book_file.writestr(name, inside)
    drawn.files[role] = new.getvalue()
    return f"{role}: {kind}"


HURT: tuple[Callable[[random.Random, Drawn], str], ...] = (
    odd_cell,
    odd_cell,
    odd_cell,
    odd_rows,
    odd_rows,
    odd_key,
    odd_key,
    odd_key,
    odd_unit,
    odd_bytes,
    odd_bytes,
    odd_path,
    other_zone,
    bomb,
    other_scale,
    other_scale,
    other_scale,
)
