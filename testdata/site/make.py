#!/usr/bin/env python3
"""Local plane coordinates by PROJ, for the test of site::LocalPlane: python3 testdata/site/make.py

requirements: pyproj==3.7.2 (PROJ 9.5)
Azimuthal equidistant projection about five origins on WGS 84, points to 6 km in all directions.
"""
import csv, math, pathlib, random
from pyproj import Transformer, CRS

random.seed(1)
here = pathlib.Path(__file__).parent
with open(here / "local_plane.csv", "w", newline="") as f:
    out = csv.writer(f)
    out.writerow(["origin_lat", "origin_lon", "lat", "lon", "east_m", "north_m"])
    for lat, lon in [(47.3, 9.87), (-33.2, 151.4), (0.05, -78.5), (64.1, 179.995), (12.0, 77.0)]:
        plane = CRS.from_proj4(f"+proj=aeqd +lat_0={lat} +lon_0={lon} +ellps=WGS84 +units=m")
        to_wgs84 = Transformer.from_crs(plane, CRS.from_epsg(4326).geodetic_crs, always_xy=True)
        for n in range(24):
            r, a = 6000 * (n + 1) / 24, random.uniform(0, 2 * math.pi)
            e, north = r * math.sin(a), r * math.cos(a)
            x, y = to_wgs84.transform(e, north)
            out.writerow([lat, lon, f"{y:.12f}", f"{x:.12f}", f"{e:.6f}", f"{north:.6f}"])
