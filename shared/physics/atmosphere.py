"""The standard atmosphere by geopotential altitude, and the altitudes that are read from it.

Pressure altitude IS a geopotential altitude: no conversion belongs between the two. Geometric
(tapeline) height differs by 0.05 % at 3 km and 0.24 % at 15 km; convert it first.
Range: -5 km to 32 km; outside it every function gives NaN.
Source: U.S. Standard Atmosphere 1976 (NASA-TM-X-74335), with its equation numbers below; ICAO
Doc 7488/3 is the same atmosphere in this range.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .constants import (
    EARTH_RADIUS,
    GAS_CONSTANT_AIR,
    HEAT_CAPACITY_RATIO,
    SEA_LEVEL_DENSITY,
    SEA_LEVEL_PRESSURE,
    SEA_LEVEL_TEMPERATURE,
    STANDARD_GRAVITY,
)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Layer:
    """One layer of constant temperature gradient; base values at `base`, valid from `bottom` to `top` [m]."""

    base: float
    bottom: float
    top: float
    gradient: float  # K/m
    base_temperature: float  # K
    base_pressure: float  # Pa

    @property
    def exponent(self) -> float:
        """g0 / (R * gradient) of a layer with a gradient."""
        return STANDARD_GRAVITY / (GAS_CONSTANT_AIR * self.gradient)

    @property
    def scale_height(self) -> float:
        """R T / g0 of a layer without a gradient [m]."""
        return GAS_CONSTANT_AIR * self.base_temperature / STANDARD_GRAVITY

    @property
    def base_density(self) -> float:
        """Density at the base [kg/m3]."""
        return self.base_pressure / (GAS_CONSTANT_AIR * self.base_temperature)

    def pressure(self, altitude: Floats) -> Floats:
        """Pressure [Pa] at altitudes [m] of this layer."""
        rise = altitude - self.base
        if self.gradient == 0.0:
            return self.base_pressure * np.exp(-rise / self.scale_height)
        return self.base_pressure * (1 + self.gradient * rise / self.base_temperature) ** -self.exponent

    def altitude_of_pressure(self, pressure: Floats) -> Floats:
        """Altitude [m] of pressures [Pa] of this layer."""
        ratio = pressure / self.base_pressure
        if self.gradient == 0.0:
            return self.base - self.scale_height * np.log(ratio)
        return self.base + self.base_temperature / self.gradient * (ratio ** (-1 / self.exponent) - 1)

    def altitude_of_density(self, density: Floats) -> Floats:
        """Altitude [m] of densities [kg/m3] of this layer."""
        ratio = density / self.base_density
        if self.gradient == 0.0:
            return self.base - self.scale_height * np.log(ratio)
        return self.base + self.base_temperature / self.gradient * (ratio ** (-1 / (self.exponent + 1)) - 1)


def _stack_layers() -> tuple[_Layer, ...]:
    layers: list[_Layer] = []
    temperature, pressure = SEA_LEVEL_TEMPERATURE, SEA_LEVEL_PRESSURE
    # base, bottom, top [m], gradient [K/m]: U.S. Standard Atmosphere 1976 table 4
    for base, bottom, top, gradient in (
        (0.0, -5000.0, 11000.0, -0.0065),
        (11000.0, 11000.0, 20000.0, 0.0),
        (20000.0, 20000.0, 32000.0, 0.001),
    ):
        layer = _Layer(base, bottom, top, gradient, temperature, pressure)
        layers.append(layer)
        temperature += gradient * (top - base)
        pressure = float(layer.pressure(np.asarray(top)))
    return tuple(layers)


_LAYERS = _stack_layers()
_LOWEST, _HIGHEST = _LAYERS[0].bottom, _LAYERS[-1].top
_CORNERS = np.array([_LOWEST, *(layer.top for layer in _LAYERS)])
_CORNER_TEMPERATURES = np.array(
    [_LAYERS[0].base_temperature + _LAYERS[0].gradient * _LOWEST]
    + [layer.base_temperature + layer.gradient * (layer.top - layer.base) for layer in _LAYERS]
)


def _by_layer(
    values: ArrayLike,
    edges: tuple[float, ...],
    relations: tuple[Callable[[Floats], Floats], ...],
) -> Floats:
    """relations[i] where `values` lie between edges[i] and edges[i + 1] (rising or falling), NaN elsewhere."""
    given = np.asarray(values, dtype=np.float64)
    result = np.full(given.shape, np.nan)
    for first, second, relation in zip(edges[:-1], edges[1:], relations, strict=True):
        inside = (given >= min(first, second)) & (given <= max(first, second))
        if inside.any():
            result[inside] = relation(given[inside])
    return result[()]


def density(pressure: ArrayLike, temperature: ArrayLike) -> Floats:
    """Density [kg/m3] of dry air with static pressure [Pa] and static temperature [K]: p / (R T), T above 0.

    Source: U.S. Standard Atmosphere 1976 eq. (42).
    """
    kelvin = np.asarray(temperature, dtype=np.float64)
    return np.asarray(pressure, dtype=np.float64) / (GAS_CONSTANT_AIR * np.where(kelvin > 0, kelvin, np.nan))


def standard_temperature(altitude: ArrayLike) -> Floats:
    """Standard temperature [K] at pressure altitude [m], -5 km to 32 km.

    Linear in each layer: 288.15 K less 6.5 K/km to 11 km, 216.65 K to 20 km, then +1 K/km.
    Source: U.S. Standard Atmosphere 1976 eq. (23) and table 4.
    """
    given = np.asarray(altitude, dtype=np.float64)
    return np.asarray(np.interp(given, _CORNERS, _CORNER_TEMPERATURES, left=np.nan, right=np.nan))[()]


def standard_pressure(altitude: ArrayLike) -> Floats:
    """Standard pressure [Pa] at pressure altitude [m], -5 km to 32 km.

    Hydrostatic equation with constant gravity in each layer. Source: U.S. Standard
    Atmosphere 1976 eqs (33a), (33b).
    """
    return _by_layer(altitude, tuple(_CORNERS), tuple(layer.pressure for layer in _LAYERS))


def standard_density(altitude: ArrayLike) -> Floats:
    """Standard density [kg/m3] at pressure altitude [m], -5 km to 32 km: gas law of the two above."""
    return density(standard_pressure(altitude), standard_temperature(altitude))


_PRESSURE_EDGES = tuple(float(p) for p in standard_pressure(_CORNERS))
_DENSITY_EDGES = tuple(float(rho) for rho in standard_density(_CORNERS))


def pressure_altitude(pressure: ArrayLike) -> Floats:
    """Pressure altitude [m] of a static pressure [Pa]: the inverse of `standard_pressure`.

    Range 868 Pa (32 km) to 177 687 Pa (-5 km). Source: U.S. Standard
    Atmosphere 1976 eqs (33a), (33b) solved for altitude.
    """
    return _by_layer(pressure, _PRESSURE_EDGES, tuple(layer.altitude_of_pressure for layer in _LAYERS))


def density_altitude(pressure: ArrayLike, temperature: ArrayLike) -> Floats:
    """Density altitude [m] of dry air with static pressure [Pa] and static temperature [K].

    The altitude of the standard atmosphere with this density; not the 120 ft/degC rule of thumb,
    which is some 200 ft off at +15 K. Range -5 km to 32 km.
    """
    return altitude_of_density(density(pressure, temperature))


def altitude_of_density(density: ArrayLike) -> Floats:
    """Density altitude [m] of a density [kg/m3]: the inverse of `standard_density`, -5 km to 32 km."""
    return _by_layer(density, _DENSITY_EDGES, tuple(layer.altitude_of_density for layer in _LAYERS))


def density_gradient(altitude: ArrayLike) -> Floats:
    """Share by which standard density changes with altitude [1/m] at an altitude [m], -5 km to 32 km: (d rho/dh) / rho.

    From the gas law and the hydrostatic equation, -(g0 / R + dT/dh) / T; at a corner of two layers the mean of theirs.
    """
    step = 1.0
    given = np.asarray(altitude, dtype=np.float64)
    near = np.clip(given, _LOWEST + step, _HIGHEST - step)
    lapse = (standard_temperature(near + step) - standard_temperature(near - step)) / (2 * step)
    return np.asarray(-(STANDARD_GRAVITY / GAS_CONSTANT_AIR + lapse) / standard_temperature(given))


def density_ratio(pressure: ArrayLike, temperature: ArrayLike) -> Floats:
    """Density over sea-level standard density [1], from static pressure [Pa] and temperature [K]."""
    return density(pressure, temperature) / SEA_LEVEL_DENSITY


def pressure_ratio(pressure: ArrayLike) -> Floats:
    """Static pressure [Pa] over sea-level standard pressure [1]."""
    return np.asarray(pressure, dtype=np.float64) / SEA_LEVEL_PRESSURE


def speed_of_sound(temperature: ArrayLike) -> Floats:
    """Speed of sound [m/s] at static temperature [K]: sqrt(1.4 R T).

    Source: U.S. Standard Atmosphere 1976 eq. (50).
    """
    kelvin = np.asarray(temperature, dtype=np.float64)
    return np.sqrt(HEAT_CAPACITY_RATIO * GAS_CONSTANT_AIR * np.where(kelvin >= 0, kelvin, np.nan))


def pressure_altitude_from_baro(baro_altitude: ArrayLike, altimeter_setting: ArrayLike) -> Floats:
    """Pressure altitude [m] of an altimeter showing `baro_altitude` [m] with `altimeter_setting` [Pa].

    Turning the setting shifts the altimeter's scale by the pressure altitude of the setting.
    Source: the definition of the altimeter setting; NASA RP-1046 (Gracey 1980) describes the scale.
    """
    return np.asarray(baro_altitude, dtype=np.float64) + pressure_altitude(altimeter_setting)


def baro_altitude_from_pressure_altitude(altitude: ArrayLike, altimeter_setting: ArrayLike) -> Floats:
    """Altitude [m] shown at pressure altitude [m] with `altimeter_setting` [Pa]; inverse of the above."""
    return np.asarray(altitude, dtype=np.float64) - pressure_altitude(altimeter_setting)


def geopotential_altitude(geometric_height: ArrayLike) -> Floats:
    """Geopotential altitude [m] of a geometric height [m] above mean sea level: r Z / (r + Z).

    Source: U.S. Standard Atmosphere 1976 eq. (18), r = 6 356 766 m; heights of the atmosphere.
    """
    height = np.asarray(geometric_height, dtype=np.float64)
    return EARTH_RADIUS * height / (EARTH_RADIUS + height)


def geometric_height(geopotential: ArrayLike) -> Floats:
    """Geometric height [m] above mean sea level of a geopotential altitude [m]: r H / (r - H).

    Source: U.S. Standard Atmosphere 1976 eq. (19), r = 6 356 766 m; heights of the atmosphere.
    """
    altitude = np.asarray(geopotential, dtype=np.float64)
    return EARTH_RADIUS * altitude / (EARTH_RADIUS - altitude)
