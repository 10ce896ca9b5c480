"""Constants of the standard atmosphere and of mechanics, SI.

Source: U.S. Standard Atmosphere 1976 (NASA-TM-X-74335) tables 2 and 3, gas constant from
R* = 8314.32 J/(kmol K) over M0 = 28.9644 kg/kmol; ICAO Doc 7488/3 table A has the same values.
"""

from __future__ import annotations

from math import sqrt

STANDARD_GRAVITY = 9.80665  # m/s2, by definition
GAS_CONSTANT_AIR = 287.05287  # J/(kg K)
HEAT_CAPACITY_RATIO = 1.4
SEA_LEVEL_PRESSURE = 101325.0  # Pa
SEA_LEVEL_TEMPERATURE = 288.15  # K
SEA_LEVEL_DENSITY = SEA_LEVEL_PRESSURE / (GAS_CONSTANT_AIR * SEA_LEVEL_TEMPERATURE)  # 1.225 kg/m3
SEA_LEVEL_SPEED_OF_SOUND = sqrt(HEAT_CAPACITY_RATIO * GAS_CONSTANT_AIR * SEA_LEVEL_TEMPERATURE)  # 340.294 m/s
SPECIFIC_HEAT_AIR = GAS_CONSTANT_AIR * HEAT_CAPACITY_RATIO / (HEAT_CAPACITY_RATIO - 1)  # J/(kg K), constant pressure
EARTH_RADIUS = 6356766.0  # m, the standard's effective radius for geopotential (45.5 deg latitude)
