"""Money: the currencies' minor units, and the rounding policies by name.

Amounts are Decimal, never float. A unit price keeps up to six decimals; an amount has the currency's minor units.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction
from functools import lru_cache

from accounts.languages import _

# Half away from zero, each line by itself, version 1 of the policy. It stands on every document, so that a later
# policy never changes what an old document says. EN 16931 rounds this way ("half up", negatives mirror positives).
ROUNDING_POLICY = "half-away-from-zero/line/1"
# The same to two decimals at most: EN 16931 allows no more (BR-DEC-01 to 28), whatever the currency's minor units are.
TWO_DECIMALS_POLICY = "half-away-from-zero/line/2dp/1"
PRICE_DECIMALS = 6
HUNDREDTH = Decimal("0.01")

# ISO 4217 table A.1 as published on 2026-01-01: codes by the number of minor units. The funds and metals without
# minor units are left out: nothing is priced in them.
_CODES_BY_MINOR_UNITS: dict[int, str] = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
    2: (
        "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BOV BRL BSD BTN BWP BYN BZD CAD CDF "
        "CHE CHF CHW CNY COP COU CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD "
        "GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL "
        "MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR "
        "PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP "
        "TRY TTD TWD TZS UAH USD USN UYU UZS VED VES WST XAD XCD XCG YER ZAR ZMW ZWG"
    ),
    3: "BHD IQD JOD KWD LYD OMR TND",
    4: "CLF UYW",
}
MINOR_UNITS: dict[str, int] = {
    code: exponent for exponent, codes in _CODES_BY_MINOR_UNITS.items() for code in codes.split()
}


class UnknownCurrency(ValueError):
    """A code that is not a currency with minor units in ISO 4217."""


class UnknownPolicy(ValueError):
    """The name of a rounding policy that no document was ever made by."""


def minor_units(currency: str) -> int:
    """The number of decimals of an amount in this ISO 4217 currency; raises UnknownCurrency."""
    try:
        return MINOR_UNITS[currency]
    except KeyError:
        raise UnknownCurrency(
            _("{currency} is not a currency of ISO 4217 that has minor units.", currency=repr(currency))
        ) from None


@lru_cache(maxsize=64)
def smallest(currency: str) -> Decimal:
    """One minor unit: 0.01 for EUR, 1 for JPY, 0.001 for KWD."""
    return Decimal(1).scaleb(-minor_units(currency))


def policy_for(currency: str, *, e_invoicing: bool) -> str:
    """The name of the policy that a seller's amounts in this currency follow."""
    return TWO_DECIMALS_POLICY if e_invoicing and smallest(currency) < HUNDREDTH else ROUNDING_POLICY


def step_of(policy: str, currency: str) -> Decimal:
    """What every amount under a named policy is a multiple of; raises UnknownPolicy or UnknownCurrency."""
    if policy == ROUNDING_POLICY:
        return smallest(currency)
    if policy == TWO_DECIMALS_POLICY:
        return max(smallest(currency), HUNDREDTH)
    raise UnknownPolicy(f"{policy!r} is no rounding policy of this engine.")


def rounded(amount: Decimal, currency: str, step: Decimal | None = None) -> Decimal:
    """The amount in whole minor units, or in whole steps, half away from zero."""
    return rounded_to(amount, step or smallest(currency))


def rounded_to(amount: Decimal, step: Decimal) -> Decimal:
    """The amount as a multiple of ``step``, half away from zero: also of a step such as 0.05 for cash."""
    with localcontext() as context:
        context.prec = 50
        return (amount / step).quantize(Decimal(1), rounding=ROUND_HALF_UP) * step


def share_of(
    price: Decimal, part: Decimal, whole: int, currency: str, step: Decimal | None = None
) -> Decimal:
    """The price times part / whole, rounded once to the currency's minor units, or to ``step``.

    ``part`` and ``whole`` are in the same unit, for example days in service and days of the month. Fifty digits hold
    any quotient of a price far beyond the half that the rounding looks at.
    """
    with localcontext() as context:
        context.prec = 50
        return rounded(price * part / whole, currency, step)


def allocated(
    total: Decimal, weights: Mapping[str, Decimal], currency: str, step: Decimal | None = None
) -> dict[str, Decimal]:
    """Split a rounded total over keys by weight, so that the parts sum to it exactly.

    Largest remainder: each part is cut towards zero to whole minor units (or steps), and the units left over go one each
    to the largest remainders; equal remainders by the key's order, so the order of the mapping has no say. Weights are
    not negative and not all zero.
    """
    unit = step or smallest(currency)
    units = int(total / unit)
    sign = -1 if units < 0 else 1
    whole = sum((Fraction(weight) for weight in weights.values()), Fraction(0))
    exact = {key: Fraction(abs(units)) * Fraction(weight) / whole for key, weight in weights.items()}
    floors = {key: int(value) for key, value in exact.items()}
    left = abs(units) - sum(floors.values())
    for key in sorted(exact, key=lambda key: (floors[key] - exact[key], key))[:left]:
        floors[key] += 1
    return {key: sign * count * unit for key, count in floors.items()}
