"""Reads a run's tables with pandas as an analyst would the first time: types, times, missing values.

    check_pandas.py RUN

Source of the check: pandas' own reader with its defaults; the types that findings.schema.json (Frictionless Table Schema) says.
"""

import json
import sys
from pathlib import Path

import pandas

run = Path(sys.argv[1])
# What a column of each schema type must come out as without being told.
KINDS = {"integer": "i", "number": "f", "boolean": "b", "string": "OU"}

for name in ["findings", "modules"]:
    fields = json.loads((run / f"{name}.schema.json").read_text(encoding="utf-8"))["fields"]
    times = [field["name"] for field in fields if field["type"] == "datetime"]
    table = pandas.read_csv(run / f"{name}.csv", parse_dates=times)
    assert list(table.columns) == [field["name"] for field in fields], name
    assert len(table) > 5, (name, len(table))
    for field in fields:
        column = table[field["name"]]
        if column.isna().all():
            continue
        kind = column.dtype.kind
        if field["type"] == "datetime":
            assert kind == "M" and column.dt.tz is not None, (name, field["name"], column.dtype)
        elif field["type"] == "integer" and column.isna().any():
            assert kind == "f" and (column.dropna() % 1 == 0).all(), (name, field["name"])
        elif field["type"] == "number":
            assert kind in "fi", (name, field["name"], column.dtype)
        elif field["type"] in KINDS:
            text = field["type"] == "string" and pandas.api.types.is_string_dtype(column)
            assert text or kind in KINDS[field["type"]], (name, field["name"], field["type"], column.dtype)
        required = field.get("constraints", {}).get("required", False)
        assert not (required and column.isna().any()), (name, field["name"], "is required and missing")

findings = pandas.read_csv(run / "findings.csv", parse_dates=["captured_at"])
assert findings["captured_at"].notna().all() and (findings["captured_at"].dt.year == 2026).all()
# A pattern is a word and `none` is one: pandas takes "None" and "NA" for missing, but must not take this.
modules = pandas.read_csv(run / "modules.csv")
assert modules["pattern"].notna().all() and set(modules["pattern"]) >= {"none", "cell"}
assert modules["whole"].dtype == bool
# The figures mean what they say: a scaled difference is larger than that at capture under less than 1000 W/m2.
spots = findings[findings["pattern"].isin(["cell", "hotspot"])].dropna(subset=["delta_t_ref_k", "irradiance_w_m2"])
assert len(spots) > 0
assert ((spots["delta_t_ref_k"] > spots["delta_t_k"]) == (spots["irradiance_w_m2"] < 1000)).all()
flags = findings["flags"].dropna().str.split(";").explode().unique()
known = next(f for f in json.loads((run / "findings.schema.json").read_text())["fields"] if f["name"] == "flags")
assert all(flag in known["constraints"]["pattern"] or flag in json.dumps(known) for flag in flags), flags
# Apache Parquet by the reference implementation: the same cells as the CSV, with the types in the file.
import pyarrow.parquet  # noqa: E402

for name, table in [("findings", findings), ("modules", modules)]:
    schema = pyarrow.parquet.read_schema(run / f"{name}.parquet")
    typed = pyarrow.parquet.read_table(run / f"{name}.parquet").to_pandas()
    assert list(typed.columns) == list(table.columns) and len(typed) == len(table), name
    for column in table.columns:
        a, b = table[column], typed[column]
        assert (a.isna() == b.isna()).all(), (name, column)
        here = a.notna()
        if a.dtype.kind == "M":
            assert str(schema.field(column).type) == "timestamp[ms, tz=UTC]", schema.field(column)
            assert (abs(a[here] - b[here]) < pandas.Timedelta("1ms")).all(), (name, column)
        elif a.dtype.kind in "fi":
            assert (a[here].astype(float) == b[here].astype(float)).all(), (name, column)
        else:
            assert (a[here].astype(str) == b[here].astype(str)).all(), (name, column)

print(f"{len(findings)} findings, {len(modules)} outlines")
