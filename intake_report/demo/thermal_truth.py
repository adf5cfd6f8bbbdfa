"""Heat: engine, under-hood air and metal, duct wall, air drawn, air at the sensor, sensor elements.

Eight coupled nodes with flow-dependent conductances and a fan with hysteresis, stepped semi-implicitly (stable for any
step). Nothing here is shared with the analysis, which knows one first-order response at most.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from intake_report.demo.articles import Configuration
from intake_report.demo.powertrain import Engine
from intake_report.demo.route import Array

_CP = 1.006  # air [J/(g K)]

# Capacities [J/K] and conductances [W/K] of a generic compact engine bay; invented, tuned to the trade's magnitudes.
_ENGINE, _HOT, _BAY, _METAL = 95e3, 11e3, 2600.0, 30e3
_ENGINE_BAY, _HOT_BAY, _METAL_BAY = 26.0, 4.6, 34.0
_FAN_ON, _FAN_OFF = 97.5, 93.5


@dataclass(frozen=True)
class Surroundings:
    """What the air around the vehicle does, time first.

    Attributes
    ----------
    ambient : array, (t, n)
        Free-stream air temperature where the vehicle is [°C].
    through_air : array, (t, n)
        Speed through the air [m/s].
    sun : array, (n,)
        Solar intensity, 0 to 1.
    """

    ambient: Array
    through_air: Array
    sun: Array


@dataclass(frozen=True)
class Temperatures:
    """Temperatures [°C] on the grid of the motion, time first.

    Attributes
    ----------
    air : array
        Air at the sensor's location: the truth that no sensor shows.
    element : array
        The intake sensor's element, before the control unit rounds it.
    drawn : array
        Air entering the duct.
    under_hood, wall, coolant : arrays
        Under-hood air; inner surface of the duct; coolant.
    ambient_element : array
        Element of the vehicle's own ambient sensor, before rounding.
    fan : array
        Cooling fan, 0 to 1.
    """

    air: Array
    element: Array
    drawn: Array
    under_hood: Array
    wall: Array
    coolant: Array
    ambient_element: Array
    fan: Array


def heat(
    configurations: tuple[Configuration, ...],
    speed: Array,
    engine: Engine,
    around: Surroundings,
    coolant: Array,
    soak: Array,
    metal: Array,
    dt: float,
) -> Temperatures:
    """Step all runs' temperatures through their drives.

    Parameters
    ----------
    configurations : tuple of n Configuration
        One per run.
    speed : array, (t, n)
        Vehicle speed [m/s].
    engine
        Engine quantities, each (t, n).
    around
        Surroundings.
    coolant, soak, metal : arrays, (n,)
        Start state: coolant [°C]; under-hood air and slow metal above ambient [K].
    dt : float
        Time step [s], at most 1.
    """
    steps, n = speed.shape

    def of(name: str) -> Array:
        return np.array([getattr(c, name) for c in configurations])

    flow, air_speed = np.maximum(engine.airflow, 0.4), np.maximum(around.through_air, 0.0)
    # --- everything that does not depend on a temperature, for all times at once
    draw = of("draw_cruise") + (of("draw_idle") - of("draw_cruise")) * np.exp(-air_speed / of("draw_speed"))
    recirculation = of("inlet_recirculation") * np.exp(-air_speed / 2.5)
    inner = of("inner_still") + of("inner_flow") * flow**0.8
    kept = np.exp(-inner / (flow * _CP))
    to_air = flow * _CP * (1.0 - kept)
    outer = of("outer") + of("outer_speed") * speed
    lag = 5.0 * (10.0 / flow) ** 0.5
    conduction = 0.10 * np.exp(-flow / 9.0)  # stem conduction from the wall, lost in a fast stream
    stagnation = 0.6 * speed**2 / (2.0 * 1006.0)  # air brought to rest in the inlet warms [K]
    ram = air_speed / 30.0
    still = np.exp(-air_speed / 3.0)
    to_engine, to_hot = 0.25 * engine.fuel_power + 350.0, 0.085 * engine.fuel_power + 250.0
    plume = 1.6 * still  # exhaust and hot road in a queue [K]
    sun = around.sun * (70.0 + 90.0 * still)  # through bonnet and from the road [W]
    front_lag = np.where(speed > 1.5, 38.0, 110.0)
    washed = of("washed") * (
        1.0 - np.exp(-air_speed / 12.0)
    )  # the duct sits at the front of the bay, in the ram stream
    ambient = around.ambient
    outputs = [np.empty((steps, n)) for _ in range(8)]
    air_o, element_o, drawn_o, bay_o, wall_o, coolant_o, front_o, fan_o = outputs

    through, mount = of("through"), of("mount")
    bulk_c, surface_c = of("bulk"), of("surface")
    t_engine, t_bay, t_metal = coolant.copy(), ambient[0] + soak, ambient[0] + metal
    t_hot = np.full(n, 150.0)
    soaked = soak * (0.25 + 0.6 * of("draw_idle"))
    t_bulk, t_wall = ambient[0] + 1.1 * soaked, ambient[0] + soaked
    fan = np.zeros(n)
    element, front = ambient[0] + soaked, ambient[0] + 0.12 * soak
    for i in range(steps):
        outside = ambient[i]
        fan = np.where(t_engine > _FAN_ON, 1.0, np.where(t_engine < _FAN_OFF, 0.0, fan))
        at_front = outside + recirculation[i] * (t_bay - outside) + plume[i]
        radiator_flow = 55.0 + 780.0 * ram[i] + (90.0 + 330.0 * fan) * still[i]  # [g/s]; air conditioning runs its fan
        opened = np.minimum(np.maximum((t_engine - 86.0) / 8.0, 0.02), 1.0)
        g_radiator = 0.42 * _CP * radiator_flow * opened
        discharged = at_front + g_radiator * (t_engine - at_front) / (radiator_flow * _CP) * 0.55
        g_vent = (0.13 + 0.16 * ram[i]) * _CP * radiator_flow
        # engine and coolant
        sink = g_radiator + _ENGINE_BAY
        t_engine = (t_engine + dt / _ENGINE * (to_engine[i] + g_radiator * at_front + _ENGINE_BAY * t_bay)) / (
            1.0 + dt / _ENGINE * sink
        )
        # exhaust side
        g_hot = _HOT_BAY + 22.0 * ram[i]
        share = _HOT_BAY / g_hot
        t_hot = (t_hot + dt / _HOT * (to_hot[i] + g_hot * t_bay)) / (1.0 + dt / _HOT * g_hot)
        # bay air, then slow metal
        source = _ENGINE_BAY * t_engine + g_hot * share * t_hot + _METAL_BAY * t_metal + g_vent * discharged + sun[i]
        sink = _ENGINE_BAY + g_hot * share + _METAL_BAY + g_vent
        t_bay = (t_bay + dt / _BAY * source) / (1.0 + dt / _BAY * sink)
        t_metal = (t_metal + dt / _METAL * (_METAL_BAY * t_bay + 9.0 * t_engine)) / (
            1.0 + dt / _METAL * (_METAL_BAY + 9.0)
        )
        # duct: air drawn, air at the sensor, wall
        drawn = at_front + draw[i] * (t_bay - at_front) + stagnation[i]
        air = t_wall + (drawn - t_wall) * kept[i]
        t_wall = (t_wall + dt / surface_c * (to_air[i] * drawn + through * t_bulk)) / (
            1.0 + dt / surface_c * (to_air[i] + through)
        )
        t_duct = t_bay + washed[i] * (at_front - t_bay)
        t_bulk = (t_bulk + dt / bulk_c * (outer[i] * t_duct + through * t_wall + mount * t_engine)) / (
            1.0 + dt / bulk_c * (outer[i] + through + mount)
        )
        # sensor elements
        target = air + conduction[i] * (t_wall - air)
        element = element + (target - element) * (dt / (lag[i] + dt))
        target = outside + (0.16 * (t_bay - outside) + 2.0) * still[i] + 0.3
        front = front + (target - front) * (dt / (front_lag[i] + dt))
        air_o[i], element_o[i], drawn_o[i], bay_o[i] = air, element, drawn, t_bay
        wall_o[i], coolant_o[i], front_o[i], fan_o[i] = t_wall, t_engine, front, fan
    return Temperatures(air_o, element_o, drawn_o, bay_o, wall_o, coolant_o, front_o, fan_o)
