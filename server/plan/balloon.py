"""What the plan says of balloon, gas and parachute, and what follows for climb, burst and fall."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from server.flight.inputs import BalloonPlan, DescentPlan
from server.flight.physics.lift import DRAG_COEFFICIENT, Lift, LiftPlan, usual_burst, work_out
from server.plan.section import Section

Mass = Annotated[float, Field(gt=0, le=50)]
GIVEN_SIGMA_M = (
    2_000.0  # of a burst altitude that the plan gives without saying how sure; our choice
)


class DescentSection(Section):
    fall_speed_sea_level_ms: Annotated[float, Field(ge=0.5, le=60)] | None = None
    fall_speed_relative_sigma: Annotated[float, Field(gt=0, le=1)] | None = None
    mass_kg: Mass | None = None
    parachute_diameter_m: Annotated[float, Field(gt=0, le=20)] | None = None
    drag_coefficient: Annotated[float, Field(gt=0.05, le=3)] | None = None

    @model_validator(mode="after")
    def _one_of(self) -> DescentSection:
        if (self.mass_kg is None) != (self.parachute_diameter_m is None):
            raise ValueError("mass_kg and parachute_diameter_m go together")
        if self.mass_kg is not None and self.fall_speed_sea_level_ms is not None:
            raise ValueError(
                "give fall_speed_sea_level_ms, or mass_kg and parachute_diameter_m, not both"
            )
        return self

    def for_flight(self) -> DescentPlan:
        return DescentPlan(**self.model_dump())


class BalloonSection(Section):
    """Climb and burst as given, or worked out from balloon and gas; a given one wins."""

    burst_altitude_m: Annotated[float, Field(ge=1_000, le=45_000)] | None = None
    burst_altitude_sigma_m: Annotated[float, Field(gt=0, le=10_000)] | None = None
    ascent_rate_ms: Annotated[float, Field(ge=0.5, le=15)] | None = None
    ascent_rate_sigma_ms: Annotated[float, Field(gt=0, le=5)] | None = None
    balloon_mass_kg: Mass | None = None
    payload_mass_kg: Mass | None = None  # None: descent.mass_kg
    gas: Literal["helium", "hydrogen"] = "helium"
    gas_volume_m3: Annotated[float, Field(gt=0, le=200)] | None = None
    neck_lift_kg: Mass | None = None
    free_lift_kg: Mass | None = None
    burst_diameter_m: Annotated[float, Field(gt=0.3, le=30)] | None = None
    balloon_drag_coefficient: Annotated[float, Field(ge=0.05, le=2)] = DRAG_COEFFICIENT

    @model_validator(mode="after")
    def _together(self) -> BalloonSection:
        gas = [self.gas_volume_m3, self.neck_lift_kg, self.free_lift_kg]
        given = sum(value is not None for value in gas)
        if given > 1 or (given == 1) != (self.balloon_mass_kg is not None):
            raise ValueError(
                "balloon_mass_kg goes with one of gas_volume_m3, neck_lift_kg and free_lift_kg"
            )
        if self.balloon_mass_kg is None and self.burst_diameter_m is not None:
            raise ValueError("burst_diameter_m needs balloon_mass_kg and the gas")
        return self

    def lift_plan(self, descent: DescentSection) -> LiftPlan | None:
        """What lift is worked out from; None where the plan says nothing of gas. ValueError: no payload."""
        if self.balloon_mass_kg is None:
            return None
        payload_kg = self.payload_mass_kg or descent.mass_kg
        if payload_kg is None:
            raise ValueError("balloon_mass_kg needs payload_mass_kg, or mass_kg of the descent")
        return LiftPlan(
            self.balloon_mass_kg,
            payload_kg,
            self.gas,
            self.gas_volume_m3,
            self.neck_lift_kg,
            self.free_lift_kg,
            self.burst_diameter_m,
            self.balloon_drag_coefficient,
        )

    def for_flight(self, descent: DescentSection, launch_altitude_m: float) -> BalloonPlan:
        """ValueError, in words for the crew, where the balloon cannot rise or the gas cannot be."""
        usual, plan = BalloonPlan(), self.lift_plan(descent)
        lift: Lift | None = None if plan is None else work_out(plan, launch_altitude_m)
        burst_m, burst_sigma_m = usual.burst_altitude_m, usual.burst_altitude_sigma_m
        rate_ms, rate_sigma_ms = usual.ascent_rate_ms, usual.ascent_rate_sigma_ms
        if self.balloon_mass_kg is not None:
            burst_m, burst_sigma_m = usual_burst(self.balloon_mass_kg)
        if lift is not None:
            rate_ms, rate_sigma_ms = lift.ascent_rate_ms, lift.ascent_rate_sigma_ms
            if lift.burst_altitude_m is not None:
                burst_m, burst_sigma_m = lift.burst_altitude_m, lift.burst_altitude_sigma_m
        if self.burst_altitude_m is not None:
            burst_m, burst_sigma_m = self.burst_altitude_m, GIVEN_SIGMA_M
        if self.ascent_rate_ms is not None:
            rate_ms, rate_sigma_ms = self.ascent_rate_ms, usual.ascent_rate_sigma_ms
        return BalloonPlan(
            burst_altitude_m=burst_m,
            burst_altitude_sigma_m=self.burst_altitude_sigma_m or burst_sigma_m,
            ascent_rate_ms=rate_ms,
            ascent_rate_sigma_ms=self.ascent_rate_sigma_ms or rate_sigma_ms,
            lift_plan=plan,
            lift=lift,
        )
