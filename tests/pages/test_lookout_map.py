"""The map of positions: as far as they are, each in the shape of its band, with a scale in the reader's units."""

from __future__ import annotations

from math import hypot

import pytest

from accounts.languages import Manner, speaking
from servicing.pages.lookout.map import HEIGHT, MOST_LINKS, WIDTH, Plane, picture, scale
from servicing.queries.lookout import Mark
from servicing.rules.due import Band
from servicing.rules.rounds import great_circle_km

# Four positions around an invented depot, some 30 km apart.
PLACES = [(52.30, 13.10), (52.45, 13.42), (52.31, 13.55), (52.52, 13.12)]


def mark(
    place: int | None, at: tuple[float, float], band: Band = Band.PAST_GRACE, area: str = "Marl Quay"
) -> Mark:
    return Mark(*at, band, place, f"S{place}", f"Site {place}", area)


def test_lengths_on_the_map_are_those_on_the_ground() -> None:
    # Against the great circle by haversine (Sinnott 1984), itself checked against a published worked value.
    plane = Plane([mark(n, at) for n, at in enumerate(PLACES)])
    for one in PLACES:
        for other in PLACES:
            (x, y), (u, v) = plane.place(*one), plane.place(*other)
            assert hypot(x - u, y - v) / plane.per_km == pytest.approx(great_circle_km(one, other), abs=0.12)


def test_north_is_up_and_everything_is_inside() -> None:
    plane = Plane([mark(n, at) for n, at in enumerate(PLACES)])
    (_, north), (_, south) = plane.place(52.52, 13.12), plane.place(52.30, 13.10)
    assert north < south
    assert all(0 < x < WIDTH and 0 < y < HEIGHT for x, y in (plane.place(*at) for at in PLACES))


@pytest.mark.parametrize(
    ("measures", "per_km", "text", "length"),
    [
        ("metric", 10, "10 km", 100),
        ("metric", 100, "1 km", 100),
        ("metric", 140, "1 km", 140),
        ("metric", 300, "0.2 km", 60),
        # The mile is 1.609344 km exactly (NIST Handbook 44, appendix C).
        ("us", 10, "5 mi", 80.5),
    ],
)
def test_the_scale_is_a_round_number(measures: str, per_km: float, text: str, length: float) -> None:
    with speaking(Manner("en-GB", measures)):
        found = scale(per_km)
    assert (found.text, found.length) == (text, length)


def test_marks_say_their_band_by_shape_and_word() -> None:
    drawn = picture(
        [mark(n, at, band) for n, (at, band) in enumerate(zip(PLACES, list(Band)[:4], strict=True), 1)], "a"
    )
    assert drawn is not None
    assert [one.title for one in drawn.linked] == [
        "Site 1, Marl Quay: ahead",
        "Site 2, Marl Quay: in grace",
        "Site 3, Marl Quay: past grace",
        "Site 4, Marl Quay: long past",
    ]
    assert [one.address for one in drawn.linked] == [f"/a/sites/S{n}" for n in range(1, 5)]
    assert len({one.path.split("m", 1)[1] for one in drawn.linked}) == 4


def test_only_the_worst_lead_to_their_site_and_the_quiet_are_dots() -> None:
    marks = [mark(None, PLACES[0]), *(mark(n, PLACES[n % 4]) for n in range(1, MOST_LINKS + 21))]
    drawn = picture(marks, "a")
    assert drawn is not None
    assert (len(drawn.linked), drawn.unlinked, drawn.quiet) == (MOST_LINKS, 20, 1)
    assert drawn.dots.count("h0") == 1
    ((name, path),) = drawn.others
    assert (name, path.count("M")) == ("past-grace", 20)


def test_no_name_covers_another() -> None:
    near = [mark(n, (52.3 + n / 10_000, 13.1), area=f"Reach {n}") for n in range(6)]
    drawn = picture([*near, mark(7, (52.6, 13.9), area="Gannoth")], "a")
    assert drawn is not None
    assert [name.text for name in drawn.names] == ["Gannoth", "Reach 0"]


def test_one_site_alone_has_a_map_and_none_has_none() -> None:
    drawn = picture([mark(1, PLACES[0])], "a")
    assert drawn is not None
    assert drawn.linked[0].path.startswith("M280 180")
    assert picture([], "a") is None
