"""Numbers as people at the bench write them. Only for text that people read; data stay in SI."""

from __future__ import annotations


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
