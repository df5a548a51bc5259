"""The simulated shop against closed forms, an independent small-step reckoning, and its ledger."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from sensors.booth import OUTDOORS, Air, Booth
from sensors.probe import AIR_ERROR_K, RH_ERROR_PCT, Probe
from sensors.rooms import SALTMARSH, Room, Shop, Spraying
from sensors.weather import DampSpring, Hour
from service.science import air

START = datetime(2026, 4, 13, 0, 0, tzinfo=UTC)
PRESSURE_PA = 101_325.0


@dataclass(frozen=True)
class Steady:
    """The same outdoor air for ever."""

    air_c: float = 8.0
    rh_pct: float = 80.0

    def at(self, instant: datetime) -> Hour:
        dew = float(air.dew_point(self.air_c, self.rh_pct))
        return Hour(instant, self.air_c, dew, self.rh_pct, PRESSURE_PA)


def one_room(**changes: object) -> Shop:
    room = Room(
        name="booth",
        volume_m3=22.0,
        wall_w_k=15.0,
        mass_kj_k=300.0,
        contact_w_k=60.0,
        wood_g_pct=2.0,
        wood_g_s=0.0,
        fresh_per_h=2.0,
    )
    return Shop(
        rooms=(replace(room, **changes),),
        booth="booth",
        fan_from="booth",
        fan_m3_s=0.0,
        day_from_h=0.0,
        day_until_h=24.0,
    )


class TestAgainstClosedForms:
    def test_tracer_decays_by_the_air_change_rate(self) -> None:
        # Tracer-gas decay, C = C0 exp(-N t): ASTM E741, and ASHRAE Fundamentals ch. 16.
        booth = Booth(one_room(), Steady(), START)
        booth.spray(minutes=5.0, solvent_g=100.0)
        booth.step(300.0)
        first = booth.solvent_kg_m3("booth")
        for minutes in (10, 30, 60):
            booth.step(60.0 * minutes - (booth.at - START).total_seconds() + 300.0)
            expected = first * math.exp(-2.0 * minutes / 60.0)
            assert booth.solvent_kg_m3("booth") == pytest.approx(expected, rel=1e-9)

    def test_tracer_rises_to_source_over_flow(self) -> None:
        # Constant source: C = G/Q (1 - exp(-N t)), the dilution equation.
        booth = Booth(one_room(), Steady(), START)
        booth.spray(minutes=600.0, solvent_g=600.0)
        booth.step(3600.0)
        flow_m3_s, source_kg_s = 2.0 * 22.0 / 3600.0, 0.6 / 36_000.0
        expected = source_kg_s / flow_m3_s * (1.0 - math.exp(-2.0))
        assert booth.solvent_kg_m3("booth") == pytest.approx(expected, rel=1e-9)

    def test_a_room_settles_where_gains_equal_losses(self) -> None:
        # Steady heat balance: T = To + Q / (UA + m cp). Two people give 75 W each.
        booth = Booth(one_room(people=2.0), Steady(), START)
        places = booth.step(7 * 86_400.0, part_s=1800.0)
        flow_w_k = 1.2 * 22.0 * 2.0 / 3600.0 * 1006.0
        assert places["booth"].air_c == pytest.approx(8.0 + 150.0 / (15.0 + flow_w_k), abs=1e-6)
        assert places["booth"].surface_c == pytest.approx(places["booth"].air_c, abs=1e-6)

    def test_humidity_settles_at_outdoors_plus_source_over_flow(self) -> None:
        # Steady water balance: w = wo + G / m. Two people give 60 g/h each.
        booth = Booth(one_room(people=2.0), Steady(), START)
        told = booth.step(4 * 86_400.0, part_s=1800.0)["booth"]
        flow_kg_s = 1.2 * 22.0 * 2.0 / 3600.0
        expected = air.humidity_ratio(8.0, 80.0, PRESSURE_PA) + 0.120 / 3600.0 / flow_kg_s
        w = air.humidity_ratio(told.air_c, told.rh_pct, PRESSURE_PA)
        assert w == pytest.approx(expected, rel=1e-6)

    def test_thin_work_follows_with_its_time_constant(self) -> None:
        # First-order lag: after one time constant 1 - 1/e of a step is made. Air and walls jump
        # together here, since nothing else is coupled to them.
        booth = Booth(one_room(contact_w_k=0.0, wall_w_k=0.0, fresh_per_h=0.0), Steady(), START)
        booth._air_c = booth._mass_c = booth._air_c + 10.0
        before = booth.air()["booth"].surface_c
        after = booth.step(20.0 * 60.0)["booth"].surface_c
        assert after - before == pytest.approx(10.0 * (1.0 - math.exp(-1.0)), rel=1e-9)


def test_two_rooms_agree_with_a_plain_small_step_reckoning() -> None:
    """The same equations written out again, with steps of half a second and no matrices."""
    rooms = (
        Room("booth", 20.0, 12.0, 200.0, 50.0, 3.0, 0.5, 1.0),
        Room("rack", 50.0, 60.0, 900.0, 120.0, 20.0, 2.0, 0.5, people=1.0),
    )
    shop = Shop(rooms, booth="booth", fan_from="rack", day_from_h=0.0, day_until_h=24.0)
    booth = Booth(shop, Steady(), START)
    booth._air_c = np.array([21.0, 18.0])
    booth._mass_c = np.array([19.0, 17.0])
    booth._w = np.array([0.006, 0.007])
    booth._wood_pct = np.array([45.0, 60.0])
    booth.spray(minutes=30.0, solvent_g=60.0)

    t, m, w, b = [21.0, 18.0], [19.0, 17.0], [0.006, 0.007], [45.0, 60.0]
    outdoor_w = float(air.humidity_ratio(8.0, 80.0, PRESSURE_PA))
    dt, cp = 0.5, 1006.0
    drawn = 1.2 * 0.30
    from_rack, from_outdoors = 0.7 * drawn, 0.3 * drawn
    for _ in range(int(1800 / dt)):
        per_pct = air.humidity_ratio(np.array(m), 100.0, PRESSURE_PA) / 100.0
        dry = [1.2 * 20.0, 1.2 * 50.0]
        fresh = [dry[0] * 1.0 / 3600 + from_outdoors, dry[1] * 0.5 / 3600 + from_rack]
        q0 = (
            cp * fresh[0] * (8.0 - t[0]) + cp * from_rack * (t[1] - t[0])
            + 12.0 * (8.0 - t[0]) + 50.0 * (m[0] - t[0])
        )  # fmt: skip
        q1 = cp * fresh[1] * (8.0 - t[1]) + 60.0 * (8.0 - t[1]) + 120.0 * (m[1] - t[1]) + 75.0
        g0 = (
            fresh[0] * (outdoor_w - w[0]) + from_rack * (w[1] - w[0])
            + 0.5e-3 * (per_pct[0] * b[0] - w[0])
        )  # fmt: skip
        g1 = (
            fresh[1] * (outdoor_w - w[1]) + 2e-3 * (per_pct[1] * b[1] - w[1]) + 0.060 / 3600
        )  # fmt: skip
        m = [m[0] + dt * 50.0 * (t[0] - m[0]) / 2e5, m[1] + dt * 120.0 * (t[1] - m[1]) / 9e5]
        b = [
            b[0] + dt * 0.5e-3 * (w[0] - per_pct[0] * b[0]) / 3e-3,
            b[1] + dt * 2e-3 * (w[1] - per_pct[1] * b[1]) / 20e-3,
        ]
        t = [t[0] + dt * q0 / (dry[0] * cp), t[1] + dt * q1 / (dry[1] * cp)]
        w = [w[0] + dt * g0 / dry[0], w[1] + dt * g1 / dry[1]]

    booth.step(1800.0)
    # Euler's error at half a second is of the order of its step over the fastest time constant
    # (about 60 s) times the change that is still going on: under 0.01 K and 1e-5 kg/kg. The shop
    # looks at its wood's temperature once a minute, here at every step: under 0.01 % RH.
    np.testing.assert_allclose(booth._air_c, t, atol=0.01)
    np.testing.assert_allclose(booth._mass_c, m, atol=0.01)
    np.testing.assert_allclose(booth._w, w, atol=1e-5)
    np.testing.assert_allclose(booth._wood_pct, b, atol=0.01)


@pytest.fixture(scope="module")
def booth() -> Booth:
    """A shop after a day and a half of weather, heating, people and four sprayings a day."""
    booth = Booth(SALTMARSH, DampSpring(2), START)
    booth.step(36 * 3600.0, part_s=120.0)
    return booth


class TestConservation:
    # Stepping is exact, so the accounts close to rounding: 1e-9 of what went through.
    def test_heat_closes(self, booth: Booth) -> None:
        book = booth.ledger
        assert abs(book.stored_j) > 1e6
        assert book.heat_in_j == pytest.approx(book.stored_j, rel=1e-9)

    def test_water_closes(self, booth: Booth) -> None:
        book = booth.ledger
        assert abs(book.stored_kg) > 0.01
        assert book.water_in_kg == pytest.approx(book.stored_kg, rel=1e-9)

    def test_solvent_closes(self) -> None:
        booth = Booth(SALTMARSH, DampSpring(2), START)
        booth.spray(minutes=5.0, solvent_g=200.0)
        booth.step(7.0 * 60.0)
        book = booth.ledger
        assert 0.001 < book.solvent_stored_kg < 0.2
        assert book.solvent_in_kg == pytest.approx(book.solvent_stored_kg, rel=1e-9)

    def test_a_step_may_be_cut_anyhow_between_switchings(self) -> None:
        one, other = (Booth(one_room(wood_g_s=0.5), Steady(), START) for _ in range(2))
        one.step(60.0)
        for part_s in (1.0, 17.0, 42.0):
            other.step(part_s)
        assert one.air()["booth"].air_c == pytest.approx(other.air()["booth"].air_c, abs=1e-9)
        # The wood's temperature is looked at once a part: 60 s of its drift is under 0.01 % RH.
        assert one.air()["booth"].rh_pct == pytest.approx(other.air()["booth"].rh_pct, abs=0.01)


class TestWhatHappensInTheShop:
    def test_the_heater_keeps_day_and_night(self) -> None:
        booth = Booth(SALTMARSH, Steady(air_c=5.0), START)
        noon = booth.step(12 * 3600.0, part_s=120.0)
        night = booth.step(11 * 3600.0, part_s=120.0)
        for room in ("booth", "rack"):
            # A heater gives less as it comes near: it settles within its band of 1 K.
            assert SALTMARSH.day_c - 1.0 < noon[room].air_c < SALTMARSH.day_c + 0.1
            assert SALTMARSH.night_c - 1.0 < night[room].air_c < SALTMARSH.night_c + 1.5

    def test_the_fan_brings_outdoor_air(self) -> None:
        still, aired = (Booth(SALTMARSH, Steady(air_c=2.0), START) for _ in range(2))
        for booth in (still, aired):
            booth.step(8.5 * 3600.0, part_s=300.0)
        aired.spray(minutes=20.0, solvent_g=100.0)
        assert aired.fan_runs
        cold, warm = aired.step(1200.0)["booth"], still.step(1200.0)["booth"]
        assert cold.air_c < warm.air_c - 1.0
        assert cold.surface_c > cold.air_c  # the work is still warm
        aired.step(11 * 60.0)
        assert not aired.fan_runs

    def test_spraying_comes_daily_at_its_hour(self) -> None:
        shop = replace(SALTMARSH, sprayings=(Spraying(at_h=10.0, minutes=6.0, solvent_g=90.0),))
        booth = Booth(shop, Steady(), START)
        for _day in range(2):
            booth.step(10.0 * 3600.0, part_s=120.0)
            assert booth.solvent_kg_m3("booth") < 1e-6
            booth.step(300.0)
            assert booth.fan_runs
            assert booth.solvent_kg_m3("booth") > 1e-4
            booth.step(14.0 * 3600.0 - 300.0, part_s=120.0)
            assert not booth.fan_runs

    @pytest.mark.parametrize("part_s", [60.0, 420.0, 900.0])
    def test_a_round_is_sprayed_once_a_day_however_coarse_the_parts(self, part_s: float) -> None:
        begun: list[datetime] = []

        class Counting(Booth):
            def spray(self, minutes: float, solvent_g: float) -> None:
                begun.append(self.at)
                super().spray(minutes, solvent_g)

        shop = replace(one_room(), sprayings=(Spraying(9.5, 8.0, 50.0), Spraying(14.0, 8.0, 50.0)))
        Counting(shop, Steady(), START).step(2 * 86_400.0, part_s=part_s)
        expected = [START + timedelta(hours=h) for h in (9.5, 14.0, 33.5, 38.0)]
        assert len(begun) == 4
        for at, due in zip(begun, expected, strict=True):
            assert timedelta(0) <= due - at < timedelta(seconds=part_s)

    def test_the_dryer_holds_the_wood_store(self) -> None:
        dry = SALTMARSH
        wet = replace(dry, rooms=tuple(replace(room, dryer_g_h=0.0) for room in dry.rooms))
        damp = Steady(air_c=16.0, rh_pct=90.0)
        with_dryer = Booth(dry, damp, START).step(4 * 86_400.0, part_s=600.0)
        without = Booth(wet, damp, START).step(4 * 86_400.0, part_s=600.0)
        assert with_dryer["wood-store"].rh_pct < 54.0
        assert without["wood-store"].rh_pct > 60.0

    def test_wood_slows_the_air(self) -> None:
        def after_an_hour(wood_g_s: float) -> float:
            booth = Booth(one_room(wood_g_s=wood_g_s, wood_g_pct=50.0), Steady(15.0, 95.0), START)
            return booth.step(3600.0)["booth"].rh_pct

        assert after_an_hour(5.0) < after_an_hour(0.0) - 5.0

    def test_air_is_never_more_than_saturated(self) -> None:
        cold_box = one_room(people=4.0, wall_w_k=500.0, fresh_per_h=0.05)
        booth = Booth(cold_box, Steady(air_c=1.0, rh_pct=99.0), START)
        for _ in range(24):
            told = booth.step(900.0)["booth"]
            assert told.rh_pct <= 100.0
        assert told.rh_pct > 99.0
        book = booth.ledger  # what ran off the walls is in the account
        assert book.water_in_kg == pytest.approx(book.stored_kg, rel=1e-9)

    def test_the_same_day_comes_out_the_same(self) -> None:
        one, other = (Booth(SALTMARSH, DampSpring(5), START) for _ in range(2))
        assert one.step(7200.0) == other.step(7200.0)
        assert one.at == START + timedelta(hours=2)
        assert set(one.air()) == {"booth", "rack", "wood-store", OUTDOORS}


class TestProbes:
    def test_errors_stay_within_what_is_said_and_noise_is_small(self) -> None:
        true = Air(20.0, 50.0, 19.0, 101_300.4)
        means = []
        for seed in range(40):
            probe = Probe(seed)
            told = [probe.read(true) for _ in range(200)]
            means.append(
                (
                    np.mean([t.air_c for t in told]) - 20.0,
                    np.mean([t.rh_pct for t in told]) - 50.0,
                    np.mean([t.surface_c for t in told]) - 19.0,
                )
            )
            assert np.std([t.air_c for t in told]) < 0.05
            assert np.std([t.rh_pct for t in told]) < 0.4
        off = np.abs(np.array(means))
        # The mean of 200 readings is within a hundredth of the error that stays.
        assert off[:, 0].max() < AIR_ERROR_K + 0.01
        assert off[:, 1].max() < RH_ERROR_PCT + 0.1
        assert off[:, 2].max() < AIR_ERROR_K + 0.01
        assert off[:, 0].max() > 0.5 * AIR_ERROR_K  # and they are there

    def test_humidity_stays_within_what_can_be(self) -> None:
        for seed in range(20):
            probe = Probe(seed)
            for rh in (0.0, 100.0):
                told = probe.read(Air(20.0, rh, 20.0, 101_300.0))
                assert 0.0 <= told.rh_pct <= 100.0


class TestWrongInput:
    def test_names_what_is_wrong(self) -> None:
        with pytest.raises(ValueError, match="booth: volume_m3"):
            one_room(volume_m3=0.0)
        with pytest.raises(ValueError, match="booth: fresh_per_h"):
            one_room(fresh_per_h=-1.0)
        with pytest.raises(ValueError, match="fan_from"):
            Shop(one_room().rooms, booth="booth", fan_from="attic")
        with pytest.raises(ValueError, match="twice"):
            Shop(one_room().rooms * 2, booth="booth", fan_from="booth")
        with pytest.raises(ValueError, match="start"):
            Booth(one_room(), Steady(), datetime(2026, 1, 1))  # noqa: DTZ001 -- the point
        booth = Booth(one_room(), Steady(), START)
        with pytest.raises(ValueError, match="dt_s"):
            booth.step(0.0)
        with pytest.raises(ValueError, match="minutes"):
            booth.spray(minutes=0.0, solvent_g=1.0)
