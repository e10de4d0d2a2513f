"""The invariants of billing as properties over random worlds: what must hold, in numbered groups, and how to try it.

Numbers: 1 sums, 2 tax groups, 3 one disposition an event, 4 any order gives the same bytes, 5 one set of invoices,
6 balanced entries, 8 chained and frozen, 9 credits, 10 any cut gives the same total, 11 parts of a fee, 12 periods of a
fee, 13 late work at its own price and tax, 14 nothing of another operator, 15 royalty, 16 charges are on documents or
open, 18 in every currency.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Any
from uuid import UUID

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy

from billing.rules.chart import USUAL_CHART, Account
from billing.rules.crediting import CannotCredit, CreditedLine, MoreThanLeft, credit, creditable
from billing.rules.documents import Heading, canonical_bytes, credit_note, digest
from billing.rules.drafting import drafts
from billing.rules.freezing import frozen, thawed
from billing.rules.invoicing import Line, differences
from billing.rules.ledger import Booked, document_entries
from billing.rules.money import smallest
from billing.rules.rating import Charge, Rule
from billing.rules.royalty import Basis, Terms, Tier, reckoned
from billing.rules.soundness import document_faults
from billing.rules.tax import NoRate, taxed
from tests.billing.plain import uid
from tests.billing.playing import (
    MONTHS,
    WHOLE_MONTHS,
    Played,
    by_currency,
    of_operator,
    played,
    rated_at,
    standing,
)
from tests.billing.worlds import CURRENCIES, World, worlds

SEED = 20_265
LAST = len(MONTHS) - 1
WORK_ON_A_DAY = frozenset({Rule.EVENT, Rule.INSTALL, Rule.VISIT, Rule.CALL_OUT})


@dataclass(frozen=True, slots=True)
class Property:
    """What holds of every value, as a sentence; ``numbers`` of the invariants it shows."""

    sentence: str
    numbers: tuple[int, ...]
    values: SearchStrategy[Any]
    holds: Callable[[Any], None]


def tried(one: Property, examples: int) -> int:
    """Try so many values and give how many they were; what does not hold raises, with the smallest value found."""
    cases = 0

    @seed(SEED)
    @settings(
        max_examples=examples,
        database=None,
        deadline=None,
        phases=(Phase.generate, Phase.shrink),
        suppress_health_check=(HealthCheck.too_slow, HealthCheck.data_too_large),
    )
    @given(one.values)
    def try_it(value: Any) -> None:
        nonlocal cases
        cases += 1
        one.holds(value)

    try_it()
    return cases


def every_figure_holds(world: World) -> None:
    """1, 2, 12, 18: each document's own figures, by a reckoning that shares no code with what made them."""
    for document in played(world).documents:
        assert document_faults(document) == []
        assert document["currency"] == world.currency


def every_event_has_one_disposition(world: World) -> None:
    """3, 14: of exactly the events that are known, and what is billed has its charge and no other's."""
    for close in range(len(MONTHS)):
        known = world.known(close)
        rated = rated_at(world.inputs, known, close)
        assert Counter(d.event_id for d in rated.dispositions) == Counter(h.event_id for h in known)
        keys = {charge.key for charge in rated.charges}
        assert {d.charge_key for d in rated.dispositions if d.charge_key} <= keys
        assert {c.event_id for c in rated.charges if c.event_id} <= {h.event_id for h in known}
        assert len(keys) == len(rated.charges)


def any_order_gives_the_same_bytes(drawn: tuple[World, int]) -> None:
    """4, 5: events shuffled, inputs stored and read again, lines drafted in any order: the same documents."""
    world, number = drawn
    books, draw = played(world), random.Random(number)
    told = list(world.told)
    draw.shuffle(told)
    again = played(World(thawed(frozen(world.inputs)), tuple(told)))
    assert [canonical_bytes(d) for d in again.documents] == [canonical_bytes(d) for d in books.documents]
    lines = differences(rated_at(world.inputs, world.known(LAST), LAST).charges, {}, MONTHS[LAST])
    first = drafts(lines, world.inputs, month=MONTHS[LAST])
    draw.shuffle(lines)
    second = drafts(lines, world.inputs, month=MONTHS[LAST])
    assert first.drafts == second.drafts
    groups = Counter((d.payer_id, d.currency, d.group) for d in first.drafts)
    assert set(groups.values()) <= {1}


def books_balance(world: World) -> None:
    """6, 16: every entry balances, receivables are what is payable, and what is charged is on documents or open."""
    books = played(world)
    for document in books.documents:
        booked = Booked(uid("document"), digest(document), uid("customer 0"), None, document)
        postings = [p for entry in document_entries(booked, USUAL_CHART) for p in entry.postings]
        assert sum(p.amount for p in postings) == 0
        receivable = sum(p.amount for p in postings if p.account == USUAL_CHART[Account.RECEIVABLE])
        assert receivable == Decimal(document["payable"])
    charged = by_currency((line.charge.currency, line.charge.amount) for line in books.lines)
    on_documents = [(d["currency"], Decimal(d["net"])) for d in books.documents]
    still_open = [(line.charge.currency, line.charge.amount) for line in books.waiting]
    assert by_currency([*on_documents, *still_open]) == charged


def documents_are_chained(world: World) -> None:
    """8: each names the digest of the one before, and no figure changes without the digest."""
    books = played(world)
    for before, after in pairwise(books.documents):
        assert after["previous_sha256"] == digest(before)
    for document in books.documents:
        for line in document["lines"]:
            changed = {**document, "lines": [{**line, "amount": "1" + line["amount"]}]}
            assert digest(changed) != digest(document)


def credits_never_exceed(drawn: tuple[World, int]) -> None:
    """9: any credits of an invoice leave no less than nothing, and all of them together nothing in any tax group."""
    world, number = drawn
    draw = random.Random(number)
    for document in played(world).documents:
        notes: list[dict[str, Any]] = []
        for _ in range(draw.randint(0, 3)):
            _credit_a_part(document, notes, draw)
        is_void = creditable(document, notes).total_left > 0
        if is_void:
            notes.append(_noted(document, notes, None))
        for note in notes:
            assert document_faults(note) == []
        left = creditable(document, notes)
        assert left.total_left == left.payable_left == 0
        # What is left over where the total is nothing already cancels out: lines that gave back stand against others.
        assert not is_void or all(group.base == 0 and group.tax == 0 for group in left.groups.values())
        try:
            credit(left)
        except MoreThanLeft:
            continue
        raise AssertionError("An invoice was given back more than once.")


def _credit_a_part(document: dict[str, Any], notes: list[dict[str, Any]], draw: random.Random) -> None:
    left = creditable(document, notes)
    lines = [line for line in left.lines if line.left > 0]
    chosen = draw.sample(lines, draw.randint(0, min(2, len(lines))))
    asked = [
        CreditedLine(line.line, left.step * draw.randint(1, max(1, int(line.left / left.step))))
        for line in chosen
    ]
    try:
        notes.append(_noted(document, notes, asked))
    except CannotCredit:
        # More than the whole invoice is worth with its lines that gave back: refused, and nothing was given.
        assert creditable(document, notes) == left


def _noted(
    document: dict[str, Any], notes: list[dict[str, Any]], asked: list[CreditedLine] | None
) -> dict[str, Any]:
    given = credit(creditable(document, notes), asked)
    heading = Heading(f"CRN-{len(notes) + 1:06d}", MONTHS[LAST], None, "")
    return credit_note(heading, document, given)


def any_cut_gives_the_same_total(world: World) -> None:
    """10, 13: closed in three, in two or at once, late or on time: each charge stands at the same amount."""
    wanted = standing(rated_at(world.inputs, world.known(LAST), LAST).charges)
    for closes in ((0, 1, 2), (0, 2), (1, 2), (2,)):
        books = played(world, closes)
        assert standing(_rated_ones(books)) == wanted


def _rated_ones(books: Played) -> list[Charge]:
    return [charge for charge in books.charged.values() if charge.rule is not Rule.INVOICE_MINIMUM]


def late_work_has_its_own_price_and_tax(world: World) -> None:
    """13: what was known late is charged as if it had been known on time: same price, same tax."""
    on_time = World(world.inputs, tuple(replace(one, known_at=0) for one in world.told))
    late, prompt = _taxed_lines(played(world)), _taxed_lines(played(on_time))
    for key in late.keys() & prompt.keys():
        assert late[key] == prompt[key]


def _taxed_lines(books: Played) -> dict[str, set[tuple[Any, ...]]]:
    found: dict[str, set[tuple[Any, ...]]] = defaultdict(set)
    for line in books.lines:
        if line.charge.rule in WORK_ON_A_DAY:
            found[line.charge.key].add((line.charge.unit_price, line.charge.service_on, _tax(line, books)))
    return found


def _tax(line: Line, books: Played) -> Any:
    try:
        return taxed(line, books.inputs)
    except NoRate as missing:
        return str(missing)


def parts_sum_to_the_fee(world: World) -> None:
    """11: what several agreements pay of one price in one month is that price for their days together, to the cent."""
    groups: dict[tuple[Any, ...], list[Charge]] = defaultdict(list)
    for charge in rated_at(world.inputs, world.known(LAST), LAST).charges:
        if charge.rule in WHOLE_MONTHS:
            month = charge.starts_on.replace(day=1)
            key = (charge.subject_id, charge.rule, month, charge.price_version_id, charge.whole)
            groups[key].append(charge)
    for charges in groups.values():
        first = charges[0]
        step = world.inputs.step(world.inputs.entity_of(first.contract_id), first.currency)
        days = sum(Fraction(charge.part) for charge in charges)
        exact = Fraction(first.unit_price) * days / first.whole
        assert sum(charge.amount for charge in charges) == _nearest(exact, step)


def _nearest(exact: Fraction, step: Decimal) -> Decimal:
    """Half away from zero, by whole numbers alone."""
    units = exact / Fraction(step)
    whole = abs(units.numerator) * 2 // units.denominator
    return (1 if units >= 0 else -1) * Decimal((whole + 1) // 2) * step


def fees_never_overlap(world: World) -> None:
    """12: no day of a site has two flat fees of one item, and no month more days of a unit than it has."""
    charges = rated_at(world.inputs, world.known(LAST), LAST).charges
    fees: dict[tuple[Any, ...], list[Charge]] = defaultdict(list)
    for charge in charges:
        if charge.rule is Rule.SITE_MONTH:
            fees[charge.site_id, charge.item_code].append(charge)
    for own in fees.values():
        own.sort(key=lambda charge: charge.starts_on)
        for before, after in pairwise(own):
            assert before.ends_before <= after.starts_on
    for charge in charges:
        assert charge.starts_on < charge.ends_before
        if charge.rule in {Rule.UNIT_MONTH, Rule.SITE_MONTH}:
            assert 0 < charge.part <= charge.whole


def operators_share_nothing(world: World) -> None:
    """14: the same work under another operator has other keys, and comes to the same.

    Where two parts of a fee could get the odd cent alike, the order of their keys decides, so that single parts may differ.
    """
    mine = rated_at(world.inputs, world.known(LAST), LAST).charges
    other = of_operator(world, UUID(int=7))
    theirs = rated_at(other.inputs, other.known(LAST), LAST).charges
    assert not {charge.key for charge in mine} & {charge.key for charge in theirs}
    assert len(mine) == len(theirs)
    assert sum(charge.amount for charge in mine) == sum(charge.amount for charge in theirs)


@st.composite
def royalties(draw: Any) -> tuple[Terms, Decimal, Decimal]:
    """Terms with one to three tiers, and two bases in the currency's minor units."""
    currency = draw(st.sampled_from(CURRENCIES))
    ends = sorted(draw(st.sets(st.integers(1, 20_000), max_size=2)))
    percents = [Decimal(draw(st.integers(0, 400))) / 10 for _ in range(len(ends) + 1)]
    tiers = tuple(
        Tier(Decimal(end) if end else None, percent)
        for end, percent in zip([*ends, None], percents, strict=True)
    )
    minimum = Decimal(draw(st.sampled_from((0, 0, 250))))
    fund = Decimal(draw(st.integers(0, 100))) / 10
    terms = Terms(MONTHS[0], "Network", Basis.BILLED, tiers, minimum, fund, currency)
    bases = [smallest(currency) * draw(st.integers(0, 3_000_000)) for _ in range(2)]
    return terms, bases[0], bases[1]


def royalty_stays_within_its_base(drawn: tuple[Terms, Decimal, Decimal]) -> None:
    """15: tiers are marginal, fund and royalty take no more than the base, and less than nothing is carried."""
    terms, a, b = drawn
    step = smallest(terms.currency)
    whole, first, second = (reckoned(base, Decimal(0), terms) for base in (a + b, a, b))
    assert whole.from_tiers == _nearest(_marginal(a + b, terms), step)
    assert whole.from_tiers + whole.fund <= a + b
    assert whole.royalty == max(whole.from_tiers, terms.minimum)
    together, apart = whole.from_tiers, first.from_tiers + second.from_tiers
    percents = [tier.percent for tier in terms.tiers]
    if percents == sorted(percents):
        assert together >= apart - 2 * step
    if percents == sorted(percents, reverse=True):
        assert together <= apart + 2 * step
    carried = reckoned(-a, Decimal(0), terms)
    assert (carried.carried_out, carried.royalty, carried.fund) == (-a, terms.minimum, 0)
    later = reckoned(a + b, carried.carried_out, terms)
    assert (later.subject, later.carried_out) == (b, 0)


def _marginal(base: Decimal, terms: Terms) -> Fraction:
    """Each percentage of the part of the base that lies in its tier; the plain definition, unrounded."""
    total, below = Fraction(0), Fraction(0)
    for tier in terms.tiers:
        end = Fraction(base) if tier.upto is None else min(Fraction(tier.upto), Fraction(base))
        total += max(end - below, Fraction(0)) * Fraction(tier.percent) / 100
        below = max(below, end)
    return total


_WORLDS = worlds()
_NUMBERED = st.tuples(_WORLDS, st.integers(0, 2**32))
PROPERTIES = (
    Property("the figures of every document hold", (1, 2, 12, 18), _WORLDS, every_figure_holds),
    Property("every event has one disposition", (3, 14), _WORLDS, every_event_has_one_disposition),
    Property("any order gives the same bytes", (4, 5), _NUMBERED, any_order_gives_the_same_bytes),
    Property("the books balance", (6, 16), _WORLDS, books_balance),
    Property("documents are chained", (8,), _WORLDS, documents_are_chained),
    Property("credits never exceed their invoice", (9,), _NUMBERED, credits_never_exceed),
    Property("any cut gives the same total", (10, 13), _WORLDS, any_cut_gives_the_same_total),
    Property("late work has its own price and tax", (13,), _WORLDS, late_work_has_its_own_price_and_tax),
    Property("parts sum to the fee", (11,), _WORLDS, parts_sum_to_the_fee),
    Property("fees never overlap", (12,), _WORLDS, fees_never_overlap),
    Property("operators share nothing", (14,), _WORLDS, operators_share_nothing),
    Property("royalty stays within its base", (15,), royalties(), royalty_stays_within_its_base),
)
