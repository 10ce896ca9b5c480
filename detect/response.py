"""What the aircraft's response says of its configuration, second by second: zero-lift angle and drag.

zero-lift angle   see lift.py: flaps move it down, nothing else does for long
drag              drag less thrust over weight = -(dh/dt + (V/g) dV/dt) / V: the energy the aircraft loses
                  per distance flown (the energy equation; e.g. A. Miele, Flight Mechanics I, 1962, chapter 9)

A clean aircraft's share of the second is a sum of a few known shapes (`clean`): parasite drag ~ q, induced drag
~ n^2/q, thrust ~ power/V and power (an efficiency that changes with V), a windmilling propeller ~ (revolutions/V)^2;
of a fixed pitch thrust ~ revolutions^2 (c0 - c1 V/revolutions), which needs no slow flow meter, beside power/V.
Gear and flaps add drag in proportion to the dynamic pressure q. What is flown with sideslip tells nothing and is
left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.physics.constants import STANDARD_GRAVITY
from ..shared.recording import Floats
from .flight import HEIGHT_CHANNELS
from .lift import Lift
from .quantities import HEADINGS
from .signal import Flags, Grid, slope, smooth, unwrap

SMOOTH_S = 5.0
SLOWEST_M_S = 20.0
SEA_LEVEL_DENSITY = 1.225
LATERAL_SLIP = 0.05  # g: the ball half out
BANK_SLIP_RAD = np.radians(10.0)  # bank beyond what the turn flown needs
SLIP_BESIDE = 3  # seconds either side that a slip still colours
FLARE_S, UNSTICK_S = 6, 3  # seconds before touchdown and after lift-off: ground effect
LIFT_CURVE = (
    5.0  # per radian, of a wing of aspect ratio 6 to 8: 2 pi A / (A + 2), thin-aerofoil and lifting-line theory
)
LOADING_RANGE = (300.0, 1250.0)  # Pa, of light aircraft
SCALE = 1000.0  # dynamic pressure in kPa keeps the columns of one size


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """One sample a second, all (n,) but clean (n, p); NaN where nothing can be told.

    offset: zero-lift angle [rad], measure: the lift it was taken for (lift.py), noise: its scatter. drag: drag less thrust over weight; clean: the
    shapes a clean aircraft's is made of, the first of them pressure: dynamic pressure [kPa].
    loading: weight over wing area [Pa] as far as the slope of lift tells.
    """

    time_s: Floats
    offset: Floats
    measure: Floats
    noise: Floats
    drag: Floats
    clean: Floats
    pressure: Floats
    loading: float
    airborne: Flags


def read_response(grid: Grid, airborne: Flags, lift: Lift, *, fixed_pitch: bool) -> Response:
    """The response on the lift's clock. Without any engine channel the drag is not told: thrust is unknown.

    fixed_pitch: the propeller is known to be one, and its thrust to follow from revolutions and airspeed.
    """
    step, width = grid.samples(1.0), grid.samples(SMOOTH_S)
    speed = smooth(grid.numbers(grid.first("calibrated_airspeed", "indicated_airspeed") or ""), width)[::step]
    true = grid.numbers(grid.first("true_airspeed", "recorded_true_airspeed") or "")
    climb = slope(grid.numbers(grid.first(*HEIGHT_CHANNELS) or ""), width, grid.step_s)[::step]
    faster = slope(true, width, grid.step_s)[::step]
    velocity = np.maximum(smooth(true, width)[::step], SLOWEST_M_S / 2)
    pressure = 0.5 * SEA_LEVEL_DENSITY * speed**2 / SCALE
    clean = _clean_shapes(grid, velocity, pressure, width, fixed_pitch=fixed_pitch)
    with np.errstate(invalid="ignore"):
        told = airborne[::step] & (speed > SLOWEST_M_S) & ~_slipping(grid, width)[::step]
    told &= ~_in_ground_effect(airborne[::step])
    drag = -(climb + velocity / STANDARD_GRAVITY * faster) / velocity
    known = told & np.isfinite(clean).all(axis=1) & (clean.shape[1] > 2)
    loading = float(np.clip(LIFT_CURVE * lift.slope, *LOADING_RANGE))
    return Response(
        lift.time_s, np.where(told, lift.offset, np.nan), lift.measure, lift.noise, np.where(known, drag, np.nan),
        np.where(known[:, None], clean, np.nan), pressure, loading, airborne[::step],
    )  # fmt: skip


def _clean_shapes(grid: Grid, velocity: Floats, pressure: Floats, width: int, *, fixed_pitch: bool) -> Floats:
    step = grid.samples(1.0)
    factor = smooth(grid.numbers("normal_load_factor"), width)[::step]
    columns = [pressure, factor * factor / np.maximum(pressure, 0.1)]
    turning = smooth(grid.numbers(grid.first("engine_speed", "propeller_speed") or ""), width)[::step]
    if not np.isfinite(turning).any():
        return np.stack(columns, axis=1)
    power = _power(grid, turning, width)
    if fixed_pitch or power is None:
        columns += [_scaled(turning**2), _scaled(turning * velocity)]
    if power is not None:
        columns.append(_scaled(power / velocity))
        columns += [] if fixed_pitch else [_scaled(power), _scaled((turning / velocity) ** 2)]
    return np.stack(columns, axis=1)


def _power(grid: Grid, turning: Floats, width: int) -> Floats | None:
    """What goes with the engine's power, once a second; None where neither manifold pressure nor fuel flow is recorded."""
    step = grid.samples(1.0)
    flow = grid.first("fuel_flow", "fuel_mass_flow")
    if np.isfinite(grid.numbers("manifold_pressure")).any():
        return turning * smooth(grid.numbers("manifold_pressure"), width)[::step]
    return None if flow is None else smooth(grid.columns[flow], width)[::step]


def _in_ground_effect(airborne: Flags) -> Flags:
    out = np.zeros(len(airborne), dtype=bool)
    for k in np.flatnonzero(np.diff(airborne.astype(np.int8))).tolist():
        lift_off = airborne[k + 1]
        out[k if lift_off else max(0, k - FLARE_S) : k + 1 + (UNSTICK_S if lift_off else 0)] = True
    return out


def _scaled(values: Floats) -> Floats:
    """The column at a tenth of its own typical size, about as large as drag over weight."""
    known = np.abs(values[np.isfinite(values)])
    typical = float(np.median(known)) if len(known) else 0.0
    return values / (10.0 * typical) if typical > 0 else values


def _slipping(grid: Grid, width: int) -> Flags:
    """Where the aircraft flies sideways: by the lateral load factor, else by bank without the turn that goes with it."""
    lateral = np.abs(smooth(grid.numbers("lateral_load_factor"), width)) > LATERAL_SLIP
    speed = smooth(grid.numbers(grid.first("true_airspeed", "recorded_true_airspeed") or ""), width)
    rate = slope(unwrap(grid.numbers(grid.first(*HEADINGS) or "")), width, grid.step_s)
    beyond = smooth(grid.numbers("bank"), width) - np.arctan(speed * rate / STANDARD_GRAVITY)
    with np.errstate(invalid="ignore"):
        slips = lateral | (np.abs(beyond) > BANK_SLIP_RAD)
    reach = 2 * SLIP_BESIDE * grid.samples(1.0) + 1
    return np.asarray(smooth(slips.astype(np.float64), reach) > 0.5 / reach)
