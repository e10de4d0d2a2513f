"""Water as physics has it: guard rails for what a unit can do, not a predictor. SI units unless the name says other.

The liquids are mostly water; how far theirs differs is on no label, so these figures are water's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import lambertw

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

GRAVITY = 9.80665
ZERO_CELSIUS_K = 273.15
SECONDS_PER_HOUR = 3_600
CRITICAL_K = 647.096
CRITICAL_KG_PER_M3 = 322.0
_EARLY = 1e-8

# IAPWS R12-08, tables 1 and 2: H_i of the dilute gas, and (i, j, H_ij) of the finite density.
_DILUTE = (1.67752, 2.20462, 0.6366564, -0.241605)
_DENSE = (
    (0, 0, 0.520094),
    (1, 0, 0.0850895),
    (2, 0, -1.08374),
    (3, 0, -0.289555),
    (0, 1, 0.222531),
    (1, 1, 0.999115),
    (2, 1, 1.88797),
    (3, 1, 1.26613),
    (5, 1, 0.120573),
    (0, 2, -0.281378),
    (1, 2, -0.906851),
    (2, 2, -0.772479),
    (3, 2, -0.489837),
    (4, 2, -0.257040),
    (0, 3, 0.161913),
    (1, 3, 0.257399),
    (0, 4, -0.0325372),
    (3, 4, 0.0698452),
    (4, 5, 0.00872102),
    (3, 6, -0.00435673),
    (5, 6, -0.000593264),
)


def viscosity_upas(temperature_k: ArrayLike, density_kg_per_m3: ArrayLike) -> Floats:
    """Dynamic viscosity of water in micropascal seconds, arrays or numbers.

    Source: IAPWS R12-08 without the critical enhancement, which matters only near the critical point.
    Raises Nonsense outside 273.15 to 1,173.15 K and 0 to 1,300 kg/m3.
    """
    temperature = _within(temperature_k, ZERO_CELSIUS_K, 1_173.15, "A temperature in K")
    density = _within(density_kg_per_m3, 0.0, 1_300.0, "A density in kg/m3")
    warmth, crowd = temperature / CRITICAL_K, density / CRITICAL_KG_PER_M3
    dilute = 100 * np.sqrt(warmth) / sum(h / warmth**i for i, h in enumerate(_DILUTE))
    exponent = sum(h * (1 / warmth - 1) ** i * (crowd - 1) ** j for i, j, h in _DENSE)
    return np.asarray(dilute * np.exp(crowd * exponent), dtype=np.float64)


def density_kg_per_m3(celsius: ArrayLike) -> Floats:
    """Density of air-free water at one atmosphere, 0 to 100 C. Source: Kell 1975 (from memory)."""
    t = _within(celsius, 0.0, 100.0, "A water temperature in C")
    above = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 + t * -280.54253e-12)))
    )
    return np.asarray(above / (1 + 16.879850e-3 * t), dtype=np.float64)


def viscosity_mpas(celsius: ArrayLike) -> Floats:
    """Dynamic viscosity of water at one atmosphere in millipascal seconds, 0 to 100 C."""
    temperature = np.asarray(celsius, dtype=np.float64)
    density = density_kg_per_m3(temperature)
    return viscosity_upas(temperature + ZERO_CELSIUS_K, density) / 1_000


def rate_factor(celsius: ArrayLike, reference_celsius: float = 20.0) -> Floats:
    """How much faster a wick drips than at the reference temperature: the flow goes as 1 / viscosity (Darcy)."""
    return viscosity_mpas(reference_celsius) / viscosity_mpas(celsius)


def surface_tension_n_per_m(celsius: ArrayLike) -> Floats:
    """Surface tension of water against its vapour in N/m, 0 to 373 C. Source: IAPWS R1-76."""
    temperature = _within(celsius, 0.0, 373.0, "A water temperature in C") + ZERO_CELSIUS_K
    short = 1 - temperature / CRITICAL_K
    return np.asarray(0.2358 * short**1.256 * (1 - 0.625 * short), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Liquid:
    """What a wick sees of a liquid. Raises Nonsense for values that are not positive or an angle beyond 0 to 180."""

    tension_n_per_m: float
    contact_deg: float
    viscosity_pas: float
    density_kg_per_m3: float

    def __post_init__(self) -> None:
        _positive(
            tension_n_per_m=self.tension_n_per_m,
            viscosity_pas=self.viscosity_pas,
            density_kg_per_m3=self.density_kg_per_m3,
        )
        _within(self.contact_deg, 0.0, 180.0, "A contact angle in degrees")

    @property
    def wetting(self) -> float:
        """The cosine of the contact angle: below 0 the liquid is pushed back."""
        return float(np.cos(np.radians(self.contact_deg)))


def capillary_rise_m(liquid: Liquid, radius_m: float) -> float:
    """How high a capillary lifts a liquid, in m: 2 gamma cos(theta) / (rho g r) (Jurin). Below 0: it is pushed down."""
    _positive(radius_m=radius_m)
    return 2 * liquid.tension_n_per_m * liquid.wetting / (liquid.density_kg_per_m3 * GRAVITY * radius_m)


def wetted_m(seconds: ArrayLike, liquid: Liquid, radius_m: float) -> Floats:
    """How far a dry upright wick is wetted after a time, in m: (a/b) (1 + W(-exp(-1 - b^2 t / a))).

    a = gamma r cos(theta) / (4 mu), b = rho g r^2 / (8 mu). Source: Fries & Dreyer 2008 (Lucas-Washburn with gravity).
    Raises Nonsense for a liquid that does not wet the wick.
    """
    t = _within(seconds, 0.0, 1e9, "A time in seconds")
    _positive(radius_m=radius_m)
    a = liquid.tension_n_per_m * radius_m * _drawn(liquid) / (4 * liquid.viscosity_pas)
    b = liquid.density_kg_per_m3 * GRAVITY * radius_m**2 / (8 * liquid.viscosity_pas)
    exponent = b * b * t / a
    risen = a / b * (1 + lambertw(-np.exp(-1 - exponent)).real)
    # Near 0 the closed form is a small difference of large numbers; there the first two terms of its series hold.
    early = np.sqrt(2 * a * t) * (1 - np.sqrt(2 * exponent) / 3)
    return np.asarray(np.where(exponent < _EARLY, early, risen), dtype=np.float64)


def wetted_without_gravity_m(seconds: ArrayLike, liquid: Liquid, radius_m: float) -> Floats:
    """How far a dry level wick is wetted, in m: sqrt(gamma r cos(theta) t / (2 mu)). Source: Lucas 1918, Washburn 1921."""
    t = _within(seconds, 0.0, 1e9, "A time in seconds")
    _positive(radius_m=radius_m)
    return np.sqrt(liquid.tension_n_per_m * radius_m * _drawn(liquid) * t / (2 * liquid.viscosity_pas))


def siphon_ml_per_hour(
    liquid: Liquid, *, permeability_m2: float, area_m2: float, head_m: float, length_m: float
) -> float:
    """What a wet wick carries over the rim in mL an hour: k A rho g dh / (mu L) (Darcy). A head below 0 carries none.

    A bound only: units drip many times slower than a clean wide wick would (thinner, clogged, less head).
    """
    _positive(permeability_m2=permeability_m2, area_m2=area_m2, length_m=length_m)
    if not np.isfinite(head_m):
        raise Nonsense(f"A head is a height in m, not {head_m}.")
    pressure_pa = liquid.density_kg_per_m3 * GRAVITY * max(head_m, 0.0)
    flow_m3_per_s = permeability_m2 * area_m2 * pressure_pa / (liquid.viscosity_pas * length_m)
    return flow_m3_per_s * 1e6 * SECONDS_PER_HOUR


def pushed_out_ml(headspace_ml: float, celsius: float, swing_k: float) -> float:
    """What the warming of a cartridge's headspace by ``swing_k`` pushes into the reservoir: V dT / T (ideal gas)."""
    if not 0 <= headspace_ml < np.inf or not -50 <= celsius <= 100:  # noqa: PLR2004 - a washroom's range, and more
        raise Nonsense(f"A headspace of {headspace_ml} mL at {celsius} C is none that a cartridge has.")
    if not 0 <= swing_k <= 100:  # noqa: PLR2004
        raise Nonsense(f"A swing is 0 to 100 K, not {swing_k}.")
    return headspace_ml * swing_k / (celsius + ZERO_CELSIUS_K)


def hardness_class(mg_per_l: float | None) -> str:
    """The class of a water's hardness in mg/L CaCO3: soft to 60, moderately hard to 120, hard to 180, very hard above.

    Source: the scale of the US Geological Survey. None, a site whose water nobody has asked about, is "unknown".
    """
    if mg_per_l is None:
        return "unknown"
    if not 0 <= mg_per_l < np.inf:
        raise Nonsense(f"A hardness is 0 mg/L or more, not {mg_per_l}.")
    for least_above, name in ((61, "soft"), (121, "moderately hard"), (181, "hard")):
        if mg_per_l < least_above:
            return name
    return "very hard"


def _within(values: ArrayLike, least: float, greatest: float, what: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if not ((array >= least) & (array <= greatest)).all():
        raise Nonsense(f"{what} is {least:g} to {greatest:g}.")
    return array


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not 0 < value < np.inf:
            raise Nonsense(f"{name} is more than 0, not {value}.")


def _drawn(liquid: Liquid) -> float:
    if liquid.contact_deg >= 90:  # noqa: PLR2004 - from a right angle on nothing is drawn in
        raise Nonsense(
            f"A liquid with a contact angle of {liquid.contact_deg} degrees does not wet the wick."
        )
    return liquid.wetting
