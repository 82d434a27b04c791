"""Wire sizes against the published tables of AWG and enamelled wire."""

from __future__ import annotations

from itertools import pairwise

import pytest
from pydantic import TypeAdapter, ValidationError

from physics.materials import resolve
from physics.wires import WireName, awg_diameter, stock, wire

INCH_M = 0.0254


@pytest.mark.parametrize(
    ("gauge", "inches"),
    # ASTM B258 nominal diameters, read in transcriptions of the standard's table.
    [
        (4, 0.2043),
        (8, 0.1285),
        (10, 0.1019),
        (12, 0.0808),
        (13, 0.0720),
        (14, 0.0641),
        (16, 0.0508),
        (18, 0.0403),
        (20, 0.0320),
        (22, 0.0253),
        (24, 0.0201),
        (26, 0.0159),
        (28, 0.0126),
        (30, 0.0100),
    ],
)
def test_gauge_diameters_are_the_standards(gauge: int, inches: float) -> None:
    """Each gauge has the standard's diameter to the 0.0001 inch it is printed with."""
    assert wire(f"awg_{gauge:02d}").diameter_m == pytest.approx(inches * INCH_M, abs=0.00005001 * INCH_M)


def test_gauge_formula_passes_through_its_two_defining_sizes() -> None:
    """Gauge 36 is 0.005 inch and gauge 4/0 (-3) is 0.46 inch by definition (ASTM B258)."""
    assert awg_diameter(36) == pytest.approx(0.005 * INCH_M, rel=1e-12)
    assert awg_diameter(-3) == pytest.approx(0.46 * INCH_M, rel=1e-12)


@pytest.mark.parametrize(
    ("gauge", "ohm_per_1000_feet"),
    # Nominal resistance of copper wire at 20 C, read in a published wire table.
    [(6, 0.3952), (8, 0.6281), (10, 0.9988), (12, 1.589), (14, 2.524), (18, 6.386), (24, 25.67), (30, 103.7)],
)
def test_gauge_and_copper_give_the_published_resistance(gauge: int, ohm_per_1000_feet: float) -> None:
    """Copper wire has the resistance of the published wire tables, less the 3 % that pure copper conducts better."""
    area = 3.141592653589793 / 4.0 * wire(f"awg_{gauge:02d}").diameter_m ** 2
    resistance = float(resolve("copper").resistivity.at(293.15)) * 304.8 / area
    assert resistance == pytest.approx(ohm_per_1000_feet, rel=0.04)
    assert resistance < 1.002 * ohm_per_1000_feet


@pytest.mark.parametrize(
    ("gauge", "bare_maximum_mil", "overall_maximum_mil"),
    # NEMA MW 1000 heavy build, largest bare and overall diameters, read in a maker's transcription.
    [(6, 162.8, 167.1), (7, 145.0, 149.1), (8, 129.2, 133.2), (9, 115.0, 118.9)],
)
def test_enamel_fits_between_bare_and_overall_maximum(
    gauge: int, bare_maximum_mil: float, overall_maximum_mil: float
) -> None:
    """The least enamel is less than the room the standard leaves for it, and more than two thirds of it."""
    room = (overall_maximum_mil - bare_maximum_mil) * 1e-3 * INCH_M
    assert room / 1.5 < wire(f"awg_{gauge:02d}").enamel_increase_m < room


def test_enamel_thickens_from_gauge_13_to_14() -> None:
    """Gauge 14 carries more enamel than the thicker gauge 13: 3.2 against 2.8 mil (NEMA MW 1000 heavy, read)."""
    assert wire("awg_13").enamel_increase_m == pytest.approx(2.8e-3 * INCH_M)
    assert wire("awg_14").enamel_increase_m == pytest.approx(3.2e-3 * INCH_M)


@pytest.mark.parametrize(
    ("diameter_mm", "increase_mm", "largest_overall_mm"),
    # A national edition of IEC 60317-0-1 for sizes between the nominal ones, grade 2, read: such a size takes the
    # increase of the next larger nominal size.
    [
        (0.193, 0.027, 0.232),
        (0.315, 0.035, 0.367),
        (0.376, 0.040, 0.435),
        (0.457, 0.045, 0.523),
        (0.610, 0.050, 0.684),
        (0.711, 0.056, 0.795),
        (0.914, 0.063, 1.008),
        (1.219, 0.067, 1.318),
        (1.422, 0.071, 1.528),
        (1.626, 0.073, 1.735),
        (1.829, 0.075, 1.941),
        (2.032, 0.077, 2.147),
        (2.337, 0.079, 2.455),
        (2.946, 0.084, 3.072),
    ],
)
def test_metric_enamel_is_the_standards(diameter_mm: float, increase_mm: float, largest_overall_mm: float) -> None:
    """The next larger metric size has the standard's least enamel, which stays inside the largest overall diameter."""
    metric = [size for name, size in stock().items() if name.startswith("metric_")]
    nominal = min(
        (size for size in metric if size.diameter_m >= diameter_mm * 0.999e-3), key=lambda size: size.diameter_m
    )
    assert nominal.enamel_increase_m == pytest.approx(increase_mm * 1e-3)
    assert diameter_mm + increase_mm < largest_overall_mm


def test_metric_sizes_grow_by_the_preferred_series() -> None:
    """Metric sizes follow the R 20 preferred numbers (ISO 3): each about 12.2 % thicker than the one before."""
    sizes = sorted(size.diameter_m for name, size in stock().items() if name.startswith("metric_"))
    for thin, thick in pairwise(sizes):
        assert thick / thin == pytest.approx(10.0 ** (1.0 / 20.0), rel=0.025)
    assert sizes[0] == pytest.approx(0.2e-3)
    assert sizes[-1] == pytest.approx(5e-3)


def test_stock_is_complete_and_sorted() -> None:
    """The stock holds every gauge from 4 to 30, thickest first, each with a source and room for its enamel."""
    assert {f"awg_{gauge:02d}" for gauge in range(4, 31)} <= set(stock())
    diameters = [size.diameter_m for size in stock().values()]
    assert diameters == sorted(diameters, reverse=True)
    for name, size in stock().items():
        assert size.name == name
        assert size.source
        assert size.pitch_m == pytest.approx(size.diameter_m + size.enamel_increase_m)
        assert 0.01 < size.enamel_increase_m / size.diameter_m < 0.15


def test_unknown_wire_is_answered_with_the_known_ones() -> None:
    """An unknown wire is refused with the list of known names, in a request and in Python."""
    with pytest.raises(ValidationError, match=r"awg_99.*awg_12"):
        TypeAdapter(WireName).validate_python("awg_99")
    with pytest.raises(ValueError, match=r"awg_99.*metric_2_000"):
        wire("awg_99")


def test_schema_lists_the_wires() -> None:
    """The JSON schema of a wire name lists the stock, so that a client can offer it."""
    assert TypeAdapter(WireName).json_schema()["enum"] == list(stock())
