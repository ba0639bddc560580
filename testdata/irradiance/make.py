#!/usr/bin/env python3
"""A logger's readings on a day with clouds, and what pvlib's transient model makes of them.

requirements: numpy==2.4.6 pandas pvlib==0.16.1 scipy==1.17.1
Run in this folder: python3 make.py

pvlib.temperature.prilliman (Prilliman, Stein, Riley, Tamizhmani 2020) is a linear filter, so that it can be given
irradiance in the place of cell temperature.
"""
import numpy as np
import pandas as pd
from pvlib.temperature import prilliman

STEP_S = 4
s = np.arange(0, 2400, STEP_S)
clear = 850 + 60 * s / 2400
# Edges of clouds with some blur, and the logger's noise.
shade = sum(0.5 * (np.tanh((s - a) / 8) - np.tanh((s - b) / 8)) * d for a, b, d in [(700, 900, 0.6), (1500, 1530, 0.35)])
poa = np.round(clear * (1 - shade) + np.random.default_rng(7).normal(0, 2, s.size), 1)
time = pd.Timestamp("2026-06-18T11:20:00+02:00") + pd.to_timedelta(s, unit="s")
log = pd.DataFrame({"time": [t.isoformat() for t in time], "poa_w_m2": poa, "wind_m_s": 2.5})
log.to_csv("logger.csv", index=False, lineterminator="\n")

smooth = prilliman(pd.Series(poa, index=time), pd.Series(2.5, index=time), unit_mass=11.1)
pick = [330, 380, 385, 400, 450, 500, 599]
pd.DataFrame({"time": [time[i].isoformat() for i in pick], "effective_w_m2": smooth.iloc[pick].round(3)}).to_csv(
    "effective.csv", index=False, lineterminator="\n"
)
