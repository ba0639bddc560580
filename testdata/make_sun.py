#!/usr/bin/env python3
"""Reference values for thermal-core's `sun`: 1,000 places, times and planes computed by pvlib.

Requirements, pinned:  pvlib==0.16.1  pandas  numpy
Run:                   python3 testdata/make_sun.py > testdata/sun.csv

pvlib models: NREL SPA (`solarposition.get_solarposition`), Kasten-Young air mass, `clearsky.ineichen`, Hay-Davies
transposition with albedo 0.25, `tracking.singleaxis` with backtracking. All from the apparent zenith.
"""
import sys

import numpy as np
import pandas as pd
import pvlib
from pvlib import atmosphere, clearsky, irradiance, solarposition, tracking

assert pvlib.__version__ == "0.16.1", pvlib.__version__
rng = np.random.default_rng(20170101)


def random_time():
    start = pd.Timestamp("2000-01-01", tz="UTC").value // 10**9
    end = pd.Timestamp("2050-01-01", tz="UTC").value // 10**9
    return pd.Timestamp(int(rng.integers(start, end)), unit="s", tz="UTC")


def daytime(lat, lon):
    """A random time with the sun over the horizon."""
    for _ in range(200):
        t = random_time()
        if solarposition.get_solarposition(t, lat, lon).apparent_elevation.iloc[0] > 5:
            return t
    return random_time()


cases = []  # (kind, time, lat, lon, elevation)
for _ in range(600):  # anywhere between the polar circles, both hemispheres, sun up
    lat, lon = rng.uniform(-66, 66), rng.uniform(-180, 180)
    cases.append(("day", daytime(lat, lon), lat, lon, rng.uniform(0, 3000)))
for _ in range(100):  # anything, night included
    cases.append(("any", random_time(), rng.uniform(-90, 90), rng.uniform(-180, 180), rng.uniform(-400, 5000)))
for k in range(80):  # polar day, north in June and south in December, every hour
    t = pd.Timestamp("2026-06-21" if k % 2 else "2026-12-21", tz="UTC") + pd.Timedelta(minutes=k * 36)
    cases.append(("polar", t, rng.uniform(67, 90) * (1 if k % 2 else -1), rng.uniform(-180, 180), 10.0))
while sum(c[0] == "horizon" for c in cases) < 100:  # sun within two degrees of the horizon
    lat, lon, t = rng.uniform(-65, 65), rng.uniform(-180, 180), random_time()
    if abs(solarposition.get_solarposition(t, lat, lon).apparent_elevation.iloc[0]) < 2:
        cases.append(("horizon", t, lat, lon, 100.0))
for k in range(60):  # either side of the date line, and on it
    lon = [180.0, -180.0, 179.999, -179.999][k % 4]
    lat = rng.uniform(-60, 70)
    cases.append(("dateline", daytime(lat, lon), lat, lon, 20.0))
for k in range(60):  # the days with a leap second at their end, and the second after it
    day = pd.Timestamp(["2005-12-31", "2012-06-30", "2015-06-30", "2016-12-31"][k % 4], tz="UTC")
    t = day + pd.Timedelta(seconds=[86399, 86400, 43200, int(rng.integers(0, 86400))][(k // 4) % 4])
    cases.append(("leap", t, rng.uniform(-60, 60), rng.uniform(-180, 180), 300.0))
assert len(cases) == 1000

print(
    "kind,time,lat,lon,elevation_m,tilt_deg,azimuth_deg,turbidity,axis_tilt_deg,axis_azimuth_deg,max_angle_deg,gcr,"
    "sun_elevation_deg,sun_apparent_elevation_deg,sun_azimuth_deg,incidence_deg,ghi_w_m2,dni_w_m2,dhi_w_m2,poa_w_m2,"
    "tracker_deg,tracker_tilt_deg,tracker_azimuth_deg"
)
for kind, time, lat, lon, elevation in cases:
    lat, lon, elevation = round(lat, 5), round(lon, 5), round(elevation, 1)
    tilt, azimuth = round(rng.uniform(0, 90), 1), round(rng.uniform(0, 360), 1)
    turbidity = round(rng.uniform(2, 7), 2)
    axis_tilt = [0.0, 0.0, 0.0, round(rng.uniform(0, 20), 1)][rng.integers(4)]
    axis_azimuth = [180.0, 0.0, round(rng.uniform(0, 360), 1)][rng.integers(3)]
    max_angle = [45.0, 55.0, 60.0, 90.0][rng.integers(4)]
    gcr = round(rng.uniform(0.2, 0.6), 3)
    times = pd.DatetimeIndex([time])
    sun = solarposition.get_solarposition(times, lat, lon, altitude=elevation)
    zenith, sun_azimuth = sun.apparent_zenith, sun.azimuth
    extra = irradiance.get_extra_radiation(times)
    airmass = atmosphere.get_absolute_airmass(
        atmosphere.get_relative_airmass(zenith), atmosphere.alt2pres(elevation)
    )
    sky = clearsky.ineichen(zenith, airmass, turbidity, elevation, extra)
    poa = irradiance.get_total_irradiance(
        tilt, azimuth, zenith, sun_azimuth, sky.dni, sky.ghi, sky.dhi, dni_extra=extra, model="haydavies", albedo=0.25
    ).poa_global.iloc[0]
    incidence = irradiance.aoi(tilt, azimuth, zenith, sun_azimuth).iloc[0]
    track = tracking.singleaxis(zenith, sun_azimuth, axis_tilt, axis_azimuth, max_angle, True, gcr).iloc[0]
    row = [f"{v:.5f}" for v in (sun.elevation.iloc[0], 90 - zenith.iloc[0], sun_azimuth.iloc[0], incidence)]
    row += [f"{v:.3f}" for v in (sky.ghi.iloc[0], sky.dni.iloc[0], sky.dhi.iloc[0], poa)]
    row += ["" if np.isnan(v) else f"{v:.4f}" for v in (track.tracker_theta, track.surface_tilt, track.surface_azimuth)]
    given = [lat, lon, elevation, tilt, azimuth, turbidity, axis_tilt, axis_azimuth, max_angle, gcr]
    print(",".join([kind, time.strftime("%Y-%m-%dT%H:%M:%SZ"), *map(str, given), *row]))
    assert "nan" not in ",".join(row), (kind, time, lat, lon, row)
print(f"{len(cases)} cases", file=sys.stderr)
