"""A map without a backdrop: sites at their positions, each in the shape of its band, the names of areas, and a scale."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import cos, floor, log10, pi, radians
from statistics import fmean
from urllib.parse import quote

from django.urls import reverse

from accounts.languages import _
from accounts.phrases import KM_PER_MILE, is_us, number
from servicing.queries.lookout import Mark
from servicing.rules.due import Band
from servicing.rules.rounds import EARTH_KM

WIDTH, HEIGHT, MARGIN = 560, 360, 24
# The others of those asked for are drawn without a link: each would be three elements more.
MOST_LINKS = 150
MOST_NAMES = 14
# The least extent, so that one site alone has a scale.
LEAST_KM = 0.5
LONGEST_SCALE = 140
LETTER, LINE = 9.5, 18
KM_PER_DEGREE = EARTH_KM * pi / 180

# Drawn around a position, by band; the classes give them their colours.
SHAPES = {
    Band.AHEAD: "m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0",
    Band.IN_GRACE: "m-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0",
    Band.PAST_GRACE: "m0-6 6 10.5h-12z",
    Band.LONG_PAST: "m-5-5h10v10h-10z",
    Band.STANDSTILL: "m-5-1h10v2h-10z",
    Band.NONE: "m-4-4l8 8m0-8l-8 8",
}
_WORDS = {
    Band.AHEAD: "ahead",
    Band.IN_GRACE: "in grace",
    Band.PAST_GRACE: "past grace",
    Band.LONG_PAST: "long past",
    Band.STANDSTILL: "standstill",
    Band.NONE: "nothing due",
}


@dataclass(frozen=True, slots=True)
class Linked:
    """One site that is asked for: where its mark leads, what it says, and how it is drawn."""

    address: str
    title: str
    band: str
    path: str


@dataclass(frozen=True, slots=True)
class Name:
    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class Scale:
    """A bar of ``length`` in the picture, and how far that is."""

    length: float
    text: str


@dataclass(frozen=True, slots=True)
class Picture:
    """``others`` are paths by class of those asked for without a link, ``dots`` the path of all that are not asked for."""

    linked: list[Linked]
    others: list[tuple[str, str]]
    unlinked: int
    dots: str
    quiet: int
    names: list[Name]
    scale: Scale


class Plane:
    """Positions onto the picture: north up, degrees of longitude as short as they are at its middle (equirectangular)."""

    def __init__(self, marks: Sequence[Mark]) -> None:
        south, north = _range(mark.latitude for mark in marks)
        west, east = _range(mark.longitude for mark in marks)
        self._south, self._west = (south + north) / 2, (west + east) / 2
        self._narrow = cos(radians(self._south))
        across = max((east - west) * self._narrow * KM_PER_DEGREE, LEAST_KM)
        along = max((north - south) * KM_PER_DEGREE, LEAST_KM)
        self.per_km = min((WIDTH - 2 * MARGIN) / across, (HEIGHT - 2 * MARGIN) / along)

    def place(self, latitude: float, longitude: float) -> tuple[float, float]:
        per_degree = self.per_km * KM_PER_DEGREE
        x = WIDTH / 2 + (longitude - self._west) * self._narrow * per_degree
        return round(x, 1), round(HEIGHT / 2 - (latitude - self._south) * per_degree, 1)


def picture(marks: Sequence[Mark], slug: str) -> Picture | None:
    """The map of these sites, the last of them on top; None where no site has a position."""
    if not marks:
        return None
    plane = Plane(marks)
    linked: list[Linked] = []
    others: dict[Band, list[str]] = defaultdict(list)
    dots: list[str] = []
    # Every site's address differs by its code alone.
    address = reverse("site", args=[slug, "\0"])
    for mark in marks:
        x, y = plane.place(mark.latitude, mark.longitude)
        path = f"M{x:g} {y:g}{SHAPES[mark.band]}"
        if mark.place is None:
            dots.append(f"M{x:g} {y:g}h0")
        elif mark.place > MOST_LINKS:
            others[mark.band].append(path)
        else:
            linked.append(Linked(_site(address, mark), _title(mark), _class(mark.band), path))
    return Picture(
        linked=linked,
        others=[(_class(band), "".join(paths)) for band, paths in others.items()],
        unlinked=sum(map(len, others.values())),
        dots="".join(dots),
        quiet=len(dots),
        names=_names(marks, plane),
        scale=scale(plane.per_km),
    )


def _site(address: str, mark: Mark) -> str:
    return address.replace("%00", quote(mark.code, safe=""))


def _title(mark: Mark) -> str:
    values = {"site": mark.name, "area": mark.area, "band": _(_WORDS[mark.band])}
    return _("{site}, {area}: {band}", **values) if mark.area else _("{site}: {band}", **values)


def _class(band: Band) -> str:
    return band.replace("_", "-")


def _range(values: Iterable[float]) -> tuple[float, float]:
    found = list(values)
    return min(found), max(found)


def _names(marks: Sequence[Mark], plane: Plane) -> list[Name]:
    """The areas with the most sites, each over the middle of its own; one that would cover another is left out."""
    by_area: dict[str, list[Mark]] = defaultdict(list)
    for mark in marks:
        if mark.area:
            by_area[mark.area].append(mark)
    names: list[Name] = []
    for area in sorted(by_area, key=lambda area: (-len(by_area[area]), area)):
        own = by_area[area]
        x, y = plane.place(fmean(mark.latitude for mark in own), fmean(mark.longitude for mark in own))
        half = LETTER * len(area) / 2
        name = Name(min(max(x, half), WIDTH - half), max(y - 8, LINE), area)
        if len(names) < MOST_NAMES and not any(_covers(name, other) for other in names):
            names.append(name)
    return names


def _covers(one: Name, other: Name) -> bool:
    wide = LETTER * (len(one.text) + len(other.text)) / 2
    return abs(one.x - other.x) < wide and abs(one.y - other.y) < LINE


def scale(per_km: float) -> Scale:
    """The longest bar of 1, 2 or 5 times a power of ten kilometres (or miles) that still fits."""
    unit, per_unit = ("mi", per_km * float(KM_PER_MILE)) if is_us() else ("km", per_km)
    most = LONGEST_SCALE / per_unit
    power = 10.0 ** floor(log10(most))
    far = next(times * power for times in (5, 2, 1) if times * power <= most * (1 + 1e-9))
    return Scale(round(far * per_unit, 1), f"{number(far, 0 if far >= 1 else 1)} {unit}")
