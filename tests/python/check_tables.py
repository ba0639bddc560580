"""Checks the tables and maps of a run with libraries from outside the project.

    check_tables.py FOLDER

FOLDER holds findings.csv, modules.csv, unseen.csv, their .schema.json and .geojson, and site.gpkg, as tests/tables.rs wrote them.
Sources of the checks: Frictionless Table Schema through the package frictionless; RFC 7946 clause by clause;
OGC GeoPackage 1.3 (12-128r17) through GDAL (pyogrio) and by the requirements named at each check.
"""

import csv
import json
import math
import sqlite3
import struct
import sys
from pathlib import Path

import frictionless
import geopandas
import pandas
import pyogrio
from shapely.geometry import shape

folder = Path(sys.argv[1])


def csv_against_schema(name):
    """The table is valid by its own schema, and the schema by its profile."""
    schema = frictionless.Schema.from_descriptor(json.loads((folder / f"{name}.schema.json").read_text(encoding="utf-8")))
    resource = frictionless.Resource(path=f"{name}.csv", basepath=str(folder), schema=schema)
    report = resource.validate()
    assert report.valid, report.to_summary()
    assert report.stats["errors"] == 0
    # The schema is not empty talk: a spoiled cell is found by it, and no other.
    with open(folder / f"{name}.csv", encoding="utf-8", newline="") as file:
        header, cells, *_ = csv.reader(file)
    spoils = [("confidence", "1.5"), ("pattern", "warm"), ("row", "0"), ("x0", ""), ("t_median_c", "warm")]
    if name == "findings":
        spoils += [("flags", "soft;wet"), ("captured_at", "noon"), ("lat", "91"), ("abnormality_class", "4")]
    if name == "unseen":
        spoils = [("hint", "warm"), ("row", "0"), ("lat", "91"), ("frames_cut", "-1")]
    for column, bad in spoils:
        spoiled = list(cells)
        spoiled[header.index(column)] = bad
        with open(folder / "spoiled.csv", "w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([header, spoiled])
        report = frictionless.Resource(path="spoiled.csv", basepath=str(folder), schema=schema).validate()
        assert report.flatten(["fieldName"]) == [[column]], (column, bad, report.flatten(["fieldName", "message"]))
    (folder / "spoiled.csv").unlink()
    return resource


def geojson_by_the_rfc(name, table_rows):
    """RFC 7946, clause by clause."""
    text = (folder / f"{name}.geojson").read_bytes()
    assert not text.startswith(b"\xef\xbb\xbf")  # 11: RFC 8259, no byte order mark
    collection = json.loads(text.decode("utf-8"), parse_constant=lambda word: (_ for _ in ()).throw(ValueError(word)))
    assert collection["type"] == "FeatureCollection"  # 3.3
    assert "crs" not in collection  # 4: WGS 84 only
    assert isinstance(collection["features"], list)
    kinds = set()
    for feature in collection["features"]:
        assert feature["type"] == "Feature"  # 3.2
        assert isinstance(feature["properties"], dict)  # 3.2
        assert "id" not in feature or isinstance(feature["id"], (str, int, float))  # 3.2
        geometry = feature["geometry"]  # 3.2: null where it is unlocated
        kinds.add(geometry and geometry["type"])
        if geometry is None:
            continue
        assert set(geometry) == {"type", "coordinates"}
        if geometry["type"] == "Point":
            positions = [geometry["coordinates"]]
        else:
            assert geometry["type"] == "Polygon"
            (ring,) = geometry["coordinates"]  # 3.1.6: one exterior ring, no holes
            assert len(ring) >= 4 and ring[0] == ring[-1]  # 3.1.6: closed
            twice_area = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, ring[1:]))
            assert twice_area > 0, "exterior rings are counter-clockwise"  # 3.1.6
            assert shape(geometry).is_valid
            assert max(p[0] for p in ring) - min(p[0] for p in ring) < 180  # 3.1.9: cut at the 180th meridian
            positions = ring
        for lon, lat in positions:  # 3.1.1, 4: longitude before latitude, degrees
            assert -180 <= lon <= 180 and -90 <= lat <= 90
    assert len(collection["features"]) == table_rows
    return kinds


def geopackage(counts):
    """The file as a desktop GIS sees it, and the requirements that GDAL passes over."""
    path = folder / "site.gpkg"
    header = path.read_bytes()[:100]
    assert header[:16] == b"SQLite format 3\0"  # requirement 1
    assert header[68:72] == b"GPKG" and struct.unpack(">I", header[60:64]) == (10300,)  # requirement 2
    layers = {name: kind for name, kind in pyogrio.list_layers(path)}
    assert set(layers) == set(counts), layers
    for name, count in counts.items():
        frame = geopandas.read_file(path, layer=name)
        assert len(frame) == count
        assert frame.crs.to_epsg() == 4326
        located = frame[~frame.geometry.isna() & ~frame.geometry.is_empty]
        assert located.geometry.is_valid.all()
        # The map and the package say the same, place and attributes.
        with open(folder / f"{name}.geojson", encoding="utf-8") as file:
            features = json.load(file)["features"]
        for feature, (_, row) in zip(features, frame.iterrows(), strict=True):
            if feature["geometry"] is None:
                assert row.geometry is None
            else:
                assert shape(feature["geometry"]).equals_exact(row.geometry, 0.0)
            for key, value in feature["properties"].items():
                other = row[key]
                if value is None:
                    assert other is None or other != other, (key, other)
                elif key == "captured_at":
                    assert abs((other - pandas.Timestamp(value)).total_seconds()) < 1e-3
                elif isinstance(value, float):
                    assert math.isclose(value, other, rel_tol=0, abs_tol=1e-12), (key, value, other)
                else:
                    assert value == other, (key, value, other)
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]  # requirement 6
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []  # requirement 7
        systems = {row[0] for row in db.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} <= systems  # requirement 11
        for name in counts:
            west, south, east, north, last_change = db.execute(
                "SELECT min_x, min_y, max_x, max_y, last_change FROM gpkg_contents WHERE table_name = ?", [name]
            ).fetchone()
            bounds = geopandas.read_file(path, layer=name).total_bounds
            assert [west, south, east, north] == list(bounds)
            assert last_change == "2025-06-14T10:05:00.000Z"  # requirement 15


rows = {}
for name in ["findings", "modules", "unseen"]:
    rows[name] = len(csv_against_schema(name).read_rows())
kinds = geojson_by_the_rfc("findings", rows["findings"])
assert kinds == {"Polygon", "Point", None}, kinds
geojson_by_the_rfc("modules", rows["modules"])
assert geojson_by_the_rfc("unseen", rows["unseen"]) == {"Polygon"}
geopackage(rows)
