"""Chains seen on the days of their events say what whole chains say on those days."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.attribute.states.event_chains import EventChains, Slots
from pipeline.attribute.states.model import state_model
from pipeline.attribute.states.smoothing import smooth
from pipeline.settings.attribute import AttributeSettings

SETTINGS = AttributeSettings()
MODEL = state_model(SETTINGS.vehicle, SETTINGS, 0.03)
UNITS, DAYS = 40, 60


@pytest.mark.parametrize("events", [0, 1, 60, 1500], ids=["none", "one", "few", "on most days"])
def test_beliefs_on_event_days_are_those_of_the_whole_chains(events: int) -> None:
    """For units of no event, of one and of many on one day, asked all at once or some of them; initial states are each
    unit's own.
    """
    rng = np.random.default_rng(events)
    other = rng.normal(0.0, 2.0, (UNITS, DAYS, MODEL.states))
    initial = rng.dirichlet(np.ones(MODEL.states), UNITS)
    unit, day = rng.integers(1, UNITS, events), rng.integers(0, DAYS, events)
    messages = rng.normal(0.0, 3.0, (events, MODEL.states))
    evidence = other.copy()
    np.add.at(evidence, (unit, day), messages)
    whole = smooth(evidence, initial, MODEL.transition).belief
    slots = Slots.of(unit, day, DAYS)
    unit, day, messages = unit[slots.order], day[slots.order], messages[slots.order]
    chains = EventChains.of(other, initial, MODEL.transition, slots)
    for asked in (
        np.ones(UNITS, dtype=bool),
        np.arange(UNITS) % 3 == 0,
        np.arange(UNITS) == unit.max(initial=0),
    ):
        belief = chains.believe(np.exp(messages), asked)[slots.of_event]
        told = np.flatnonzero(asked[unit])
        belief = belief[told] / belief[told].sum(axis=1, keepdims=True)
        assert belief == pytest.approx(whole[unit[told], day[told]], abs=1e-12)
