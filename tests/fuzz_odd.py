"""Odd numbers, texts, times and names that people and machines put into files."""

from __future__ import annotations

import datetime as dt
from typing import Any

SECONDS = 120
"""Wall time after which a case counts as hung; the search itself is given 2 s. [s]"""
CHLORINE_T_PER_KAH = 2 * 35.453 / (2 * 96485.33212) * 3.6
"""Chlorine of one cell per kiloampere-hour at full efficiency, by Faraday's law. [t/kAh]"""

Row = dict[str, Any]
Toml = dict[str, Any]

MARKUP = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><b onmouseover=alert(1)>",
    "{{ 7*7 }}{% raw %}",
    "&lt;b&gt;",
)
FORMULAS = (
    "=cmd|' /C calc'!A0",
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(1+1)",
    '=HYPERLINK("http://x","y")',
    "\t=1+1",
)
ODD_TEXTS = (
    "‮gnp.exe",
    "a​b﻿c",
    "ünïcödé 工場 🏭",
    "x" * 3000,
    "two\nlines",
    "\x1b[31mred",
    "../../etc/passwd",
    "C:\\nul",
    "%s %n {0} {name}",
    "$(id) `id`",
    "$\\frac{$ 100 $_x$",
    "'; DROP TABLE plans; --",
)
TEXTS = (*MARKUP, *FORMULAS, *ODD_TEXTS)
ODD_NUMBERS = (
    "NaN",
    "nan",
    "inf",
    "-inf",
    "1e308",
    "-1e308",
    "1e309",
    "1e-320",
    "-0",
    "0",
    "",
    "1,5",
    "1.000,5",
    "1'000",
    "\uff11\uff12",
    "\u0663",
    "9" * 400,
    "true",
    "0x10",
    "1_000",
    " 7 ",
    "=1+1",
    "-1",
    "abc",
    "1e9",
    "1.0000001e9",
    "None",
)
ODD_VALUES: tuple[Any, ...] = (
    float("nan"),
    float("inf"),
    -float("inf"),
    1e308,
    -1e308,
    1e-320,
    -0.0,
    0,
    -1,
    10**30,
    "",
    "x",
    True,
    [],
    {},
    [1],
    {"a": 1},
    dt.date(2026, 6, 8),
    dt.time(6),
    [[[[]]]],
    "../../etc/passwd",
    *TEXTS,
)
ODD_TIMES = (
    "2026-06-08",
    "2026-06-08T24:00",
    "2026-02-30T00:00",
    "2026-03-29T02:30",
    "2026-10-25T02:30",
    "2026-06-08T00:00+14:00",
    "2026-06-08T00:00-25:00",
    "9999-12-31T23:59",
    "0001-01-01T00:00",
    "08.06.2026 00:00",
    "2026-06-08T00:00Z",
    "2026-06-08T00:07",
    "2026-06-08T00:00:30",
    "1780869600",
    "\u0662\u0660\u0662\u0666-06-08T00:00",
    "now",
    "2100-12-31T23:59+00:00",
    "2100-12-31T23:59",
    "2000-01-01T00:00",
)
ODD_NAMES = (
    "../../../../etc/passwd",
    "/etc/passwd",
    "/dev/zero",
    "/dev/stdin",
    ".",
    "..",
    "/",
    "~/x.csv",
    "http://x/y.csv",
    "a\0b.csv",
    "x" * 300 + ".csv",
    "-",
    "",
    " ",
    "con.csv",
    "/proc/self/mem",
    "prices.csv/",
    "*",
    "\n",
)
