"""Plays one site from its first unit to its last: between two visits the units live, at a visit the crew writes."""

from __future__ import annotations

import copy
from dataclasses import replace
from datetime import date, datetime, timedelta
from uuid import UUID

from accounts.ids import new_label_code
from demo_tenant.beats import (
    BAD_LOT_LEAKS,
    MISTAKEN_WICK,
    SLIP_OF_THE_PEN,
    VANDALISED,
    beats_of,
    has_bad_lot,
    is_vandalised,
    lot_of,
)
from demo_tenant.crews import Fitted, Touch, VisitBook, Watch
from demo_tenant.masterdata import MasterData, SitePlan, StationPlan, UnitPlan
from demo_tenant.office import OfficeBook
from demo_tenant.records import Record
from demo_tenant.rounds import Purpose, working_day
from demo_tenant.setting import Setting
from demo_tenant.timetable import Arrival
from demo_tenant.world import CARTRIDGE_ML, DAY, TrueUnit

UNKNOWN_WICKS = 0.3
DOSE_WRITTEN_DOWN = 0.25
REPORT_BASE, REPORT_DRY, REPORT_PLUGGED, REPORT_LEAK = 0.0006, 0.02, 0.05, 0.3
SOON = timedelta(days=3)
CALL_OUT_MINUTES = 25
LEAK_THIS_MORNING = 2
LOOKED_UNDER = timedelta(seconds=20)


class SiteLife:
    """One site's story; ``records`` are the crews', ``units`` every unit that ever hung there."""

    def __init__(
        self,
        setting: Setting,
        master: MasterData,
        site: SitePlan,
        office: OfficeBook,
        watch: Watch | None = None,
    ) -> None:
        self.setting = setting
        self.master = master
        self.site = site
        self.office = office
        self.watch = watch
        self.beats = beats_of(setting)
        self.ids = setting.stream("visit-ids", site.index)
        self.units: list[UnitPlan] = []
        self.fitted: dict[int, Fitted] = {}
        self.records: list[Record] = []
        self.served = 0

    def play(self, arrivals: list[Arrival]) -> None:
        """Live through every arrival in order, then on to the world's end."""
        for arrival in arrivals:
            if arrival.visit.purpose in {Purpose.TAKE_OVER, Purpose.INSTALL}:
                self._install_all(arrival)
            elif self.fitted:
                self._arrive(arrival)
        for fitted in list(self.fitted.values()):
            self._incident(fitted, self.setting.span.ends_at)
        if self.site.index == LEAK_THIS_MORNING and self.fitted:
            self._leak_this_morning(self.fitted[min(self.fitted)])

    def _leak_this_morning(self, fitted: Fitted) -> None:
        """On the last day somebody rings about a leak that nobody has been to yet."""
        at = self.office.at(self.setting.span.as_of, 65)
        stream = self.setting.stream("report", "last-morning")
        self.office.enter("report.received", ("unit", fitted.unit.id), at, {"kind": "leak"}, stream=stream)

    def _book(self, crew: int, at: datetime) -> VisitBook:
        return VisitBook(self.master, crew, self.site.id, self.ids.uuid7(at), self.ids, watch=self.watch)

    def _close(self, book: VisitBook, at: datetime, kind: str, **payload: object) -> None:
        book.close(at, kind, **payload)
        self.records += book.records

    def _local_day(self, at: datetime) -> date:
        return at.astimezone(self.setting.zone).date()

    def _install_all(self, arrival: Arrival) -> None:
        book, visit = self._book(arrival.crew, arrival.starts_at), arrival.visit
        clock, step = _pace(arrival, len(self.site.stations))
        taken_over = visit.purpose is Purpose.TAKE_OVER
        bleach = self.site.uses_bleach and visit.only is None
        outcome = "served"
        for place, station in enumerate(self.site.stations):
            if visit.only is not None and place not in visit.only:
                continue
            if station.takes_acid and (not taken_over or self.site.uses_bleach):
                self._check_placement(book, station, clock, bleach=bleach)
                clock += LOOKED_UNDER
            if bleach and station.takes_acid:
                outcome = "part_served"
            else:
                self._install(book, place, station, clock, taken_over=taken_over)
            clock += step
        end = arrival.starts_at + timedelta(minutes=arrival.minutes)
        self._close(book, end, "visit.made", outcome=outcome, minutes=arrival.minutes)

    def _check_placement(self, book: VisitBook, station: StationPlan, at: datetime, *, bleach: bool) -> None:
        """Before an acid goes up, the crew asks what the site's own cleaners use there."""
        payload = {
            "station_id": str(station.id),
            "cartridge_id": str(self.master.cartridges[0].id),
            "rule": "incompatible_liquids",
            "rule_version": 1,
            "outcome": "breaks" if bleach else "meets",
            "bowl_product": "hypochlorite" if bleach else "neutral",
        }
        book.write("placement.checked", ("site", self.site.id), at, payload)

    def _install(
        self, book: VisitBook, place: int, station: StationPlan, at: datetime, *, taken_over: bool = False
    ) -> None:
        key = f"{self.site.index}|{place}|{len(self.units)}"
        label, hand = self.setting.stream("label", key), self.setting.stream("hand", key)
        unit = UnitPlan(
            id=self.setting.id("unit", key),
            code=new_label_code(label.draw),
            unit_model_id=self.master.unit_models[0].id,
            printed_on=self.setting.span.first_day - timedelta(days=7),
        )
        unknown = hand.chance(UNKNOWN_WICKS) and taken_over
        age_days = hand.between(30, 420)
        truth = TrueUnit(
            self.setting.plan,
            self.site.kind,
            self.setting.stream("truth", key),
            at,
            age_days if unknown else 0.0,
        )
        wrecked, hours = hand.chance(VANDALISED), hand.between(0, 60)
        if is_vandalised(self.setting, self.site) and wrecked and at < self.beats.vandals_at:
            truth.lost_at = min(truth.lost_at, self.beats.vandals_at + timedelta(hours=hours))
        cartridge = self.master.cartridges[0 if station.takes_acid else 1]
        fitted = Fitted(unit, station, place, truth, hand, cartridge.id, at, at, at)
        touch = Touch(book, fitted, at)
        touch.note(
            "unit.installed",
            station_id=str(station.id),
            cartridge_id=str(cartridge.id),
            charge_ml=round(CARTRIDGE_ML),
            wick="unknown" if unknown else "new",
        )
        touch.finish()
        self.units.append(unit)
        self.fitted[place] = fitted

    def _arrive(self, arrival: Arrival) -> None:
        visit, end = arrival.visit, arrival.starts_at + timedelta(minutes=arrival.minutes)
        if visit.purpose is Purpose.NOT_ADMITTED or visit.purpose is Purpose.CALLED_OFF:
            kind = "visit.not_admitted" if visit.purpose is Purpose.NOT_ADMITTED else "visit.called_off"
            self._close(self._book(arrival.crew, arrival.starts_at), end, kind, reason=visit.reason)
            return
        places = [
            p
            for p in sorted(self.fitted)
            if p not in visit.left_out and (visit.only is None or p in visit.only)
        ]
        for place in places:
            self._incident(self.fitted[place], arrival.starts_at)
        book = self._book(arrival.crew, arrival.starts_at)
        clock, step = _pace(arrival, len(places))
        for place in places:
            if visit.purpose is Purpose.WITHDRAW:
                self._withdraw(book, place, clock)
            else:
                self._serve(book, place, clock)
            clock += step
        outcome = "part_served" if visit.left_out else "served"
        self._close(book, end, "visit.made", outcome=outcome, minutes=arrival.minutes)
        self.served += 1

    def _withdraw(self, book: VisitBook, place: int, at: datetime) -> None:
        touch = Touch(book, self.fitted.pop(place), at)
        touch.note("unit.withdrawn", reason="agreement_ended")

    def _serve(self, book: VisitBook, place: int, at: datetime) -> None:
        fitted = self.fitted[place]
        touch = Touch(book, fitted, at)
        if touch.seen.loss is not None:
            self._replace(touch, touch.seen.loss)
            return
        self._move(touch)
        touch.repair("visit_check")
        touch.look_after_wick()
        self._exchange(touch)
        if fitted.touches == 1 and fitted.hand.chance(DOSE_WRITTEN_DOWN):
            touch.note("dose.set", dose_ml_per_day=f"{round(fitted.truth.dose * 2) / 2:.1f}")
        self._make_mistakes(touch)
        touch.finish()

    def _exchange(self, touch: Touch) -> None:
        day = self._local_day(touch.at)
        touch.exchange(lot_of(self.setting, self.beats, self.site, day))
        truth, hand = touch.fitted.truth, touch.fitted.hand
        if has_bad_lot(self.setting, self.beats, self.site, day) and hand.chance(BAD_LOT_LEAKS):
            truth.leak_at = min(truth.leak_at, touch.at + hand.between(2, 12) * DAY)

    def _replace(self, touch: Touch, loss: str) -> None:
        """A wrecked or missing unit: another one with its own label goes to the same station."""
        mode = {"missing": "MIS", "damaged": "STD", "tampered": "TMP"}[loss]
        touch.note("fault.found", mode=mode, detection="visit_check")
        touch.note("fault.closed", mode=mode, action="replaced")
        touch.note("unit.withdrawn", reason="missing" if loss == "missing" else "damaged")
        self._install(touch.book, touch.fitted.place, touch.fitted.station, touch.at)

    def _move(self, touch: Touch) -> None:
        fitted, spares = touch.fitted, self.site.spare_stations
        moves = fitted.place < len(spares) and fitted.station is not spares[fitted.place]
        if moves and self._local_day(touch.at) >= self.beats.moves_on:
            fitted.station = spares[fitted.place]
            touch.note("unit.moved", station_id=str(fitted.station.id))

    def _make_mistakes(self, touch: Touch) -> None:
        """A wick change noted at the wrong unit, to be countered; a level misread, replaced the next morning."""
        hand, first = touch.fitted.hand, touch.fitted.place == 0 and self.served == 0
        wrong, late, slip = hand.chance(MISTAKEN_WICK), hand.chance(0.5), hand.chance(SLIP_OF_THE_PEN)
        if (wrong or (first and self.site.index == 0)) and not touch.wick_changed:
            record = touch.note("wick.changed", reason="slow")
            late = late or self.site.index == 0
            self.office.counter(record, self.setting.stream("counter", record.id), after_close=late)
        right = touch.exchanged
        if (slip or (first and self.site.index == 1)) and right and "cartridge_left_ml" in right.payload:
            self._misread(touch, right)

    def _misread(self, touch: Touch, right: Record) -> None:
        misread = min(round(CARTRIDGE_ML), right.payload["cartridge_left_ml"] + 100)
        records = touch.book.records
        place = next(n for n, record in enumerate(records) if record is right)
        records[place] = replace(right, payload={**right.payload, "cartridge_left_ml": misread})
        morning = self.office.at(working_day(self._local_day(touch.at) + DAY, 1), -80)
        if morning < self.setting.span.ends_at:
            self.records.append(
                replace(right, id=self.ids.uuid7(morning), made_at=morning, corrects=right.id)
            )

    def _incident(self, fitted: Fitted, until: datetime) -> None:
        """Somebody at the site may report what the unit does before ``until``; a crew comes out when that is far off."""
        hand = fitted.hand
        hit, when, hour = hand.draw(), hand.draw(), hand.draw()
        ahead = copy.copy(fitted.truth)
        ahead.advance(until)
        chance, kind, onset = _report_risk(ahead, fitted.touched_at)
        if hit >= chance:
            return
        earliest, latest = max(onset + DAY / 2, fitted.touched_at + DAY), until - DAY / 4
        if earliest >= latest:
            return
        at = self.office.at(self._local_day(earliest + when * (latest - earliest)), int(hour * 500))
        if not earliest <= at <= latest:
            return
        stream = self.setting.stream("report", f"{fitted.unit.id}|{at.isoformat()}")
        subject = ("unit", fitted.unit.id)
        report = self.office.enter("report.received", subject, at, {"kind": kind}, stream=stream)
        if report is None:
            return
        done_at = until
        if until - at > SOON:
            done_at = self._call_out(fitted, at, hour)
        closed_on = working_day(self._local_day(done_at + DAY / 3), 1)
        closed_at = max(self.office.at(closed_on, stream.whole(0, 400)), done_at + DAY / 24)
        payload = {"report_event_id": str(report.id)}
        self.office.enter("report.closed", subject, closed_at, payload, stream=stream)

    def _call_out(self, fitted: Fitted, reported_at: datetime, hour: float) -> datetime:
        """The site's crew comes by after its round on the next working day, for this one unit."""
        day = working_day(self._local_day(reported_at) + DAY, 1)
        at = self.office.at(day, 600 + int(hour * 120))
        end = at + timedelta(minutes=CALL_OUT_MINUTES)
        if end >= self.setting.span.ends_at:
            return self.setting.span.ends_at
        book = self._book(self.site.crew, at)
        touch = Touch(book, fitted, at + timedelta(minutes=8))
        if touch.seen.loss is not None:
            self._replace(touch, touch.seen.loss)
        else:
            touch.repair("report")
            if touch.seen.cartridge_ml < CARTRIDGE_ML / 4:
                self._exchange(touch)
            else:
                touch.read_level()
            touch.finish()
        self._close(book, end, "visit.made", outcome="served", minutes=CALL_OUT_MINUTES)
        return end


def _report_risk(ahead: TrueUnit, touched_at: datetime) -> tuple[float, str, datetime]:
    """The chance that the site reports the unit, as what, and since when there is something to report."""
    seen = ahead.look()
    if seen.leaks:
        return REPORT_LEAK, "leak", ahead.leak_at
    if not seen.drips:
        return REPORT_PLUGGED, "odour", min(ahead.plug_at, ahead.at)
    if ahead.dry_at is not None and ahead.dry_days() > SOON / DAY:
        return REPORT_DRY, "empty", ahead.dry_at + SOON
    if seen.loss is not None:
        return REPORT_DRY, "damage", ahead.lost_at
    return REPORT_BASE, "odour", touched_at


def _pace(arrival: Arrival, units: int) -> tuple[datetime, timedelta]:
    """When the first unit is handled and how far apart they are: arriving and leaving take a few minutes each."""
    inside = timedelta(minutes=max(1, arrival.minutes - 8))
    return arrival.starts_at + timedelta(minutes=6), inside / max(1, units)


def site_arrivals(arrivals: list[Arrival]) -> dict[UUID, list[Arrival]]:
    """The arrivals of each site in order of their start."""
    by_site: dict[UUID, list[Arrival]] = {}
    for arrival in arrivals:
        by_site.setdefault(arrival.visit.site.id, []).append(arrival)
    return by_site
