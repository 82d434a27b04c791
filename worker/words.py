"""Numbers as people at the bench write them. Only for text that people read; data stay in SI."""

from __future__ import annotations

import math


def voltage(value_v: float) -> str:
    """7123.4 -> '7.12 kV'."""
    return f"{value_v / 1e3:.2f} kV"


def current(value_a: float) -> str:
    """51234 -> '51.2 kA'."""
    return f"{value_a / 1e3:.1f} kA"


def energy(value_j: float) -> str:
    """2310 -> '2.31 kJ'."""
    return f"{value_j / 1e3:.2f} kJ"


def length(value_m: float) -> str:
    """0.024012 -> '24.01 mm'."""
    return f"{value_m * 1e3:.2f} mm"


def capacitance(value_farad: float) -> str:
    """1.5e-4 -> '150 µF'."""
    return f"{value_farad * 1e6:.4g} µF"


def charge(value_coulomb: float) -> str:
    """1.234 -> '1.23 C'."""
    return f"{value_coulomb:.3g} C"


def share(value_ratio: float) -> str:
    """0.254 -> '25%'."""
    return f"{value_ratio:.0%}"


def duration(value_s: float) -> str:
    """5400 -> '1 h 30 min'."""
    minutes = round(value_s / 60.0)
    if minutes < 2:
        return f"{value_s:.0f} s"
    hours, rest = divmod(minutes, 60)
    return " ".join(part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part)


def quantity(value: float, unit: str) -> str:
    """A number with the prefix that suits it: 0.00312, 'm' -> '3.12 mm'. Temperatures are told in °C."""
    if unit == "K":
        return f"{value - 273.15:.0f} °C"
    if unit == "s" and value >= 1.0:
        return duration(value)
    if unit == "kg/m3" and value < 1e-2:
        return f"{value * 1e6:.3g} mg/m³"
    if unit not in _PREFIXED or value == 0.0:
        return f"{value:.3g} {unit}"
    power = min(max(3 * math.floor(math.log10(abs(value)) / 3.0), -9), 9)
    return f"{value / 10.0**power:.3g} {_PREFIXES[power]}{unit}"


#: Units that take a prefix; others are told as they are.
_PREFIXED = frozenset({"m", "s", "V", "A", "J", "Pa", "T", "N", "W", "H", "F", "Hz", "C"})
_PREFIXES = {-9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
