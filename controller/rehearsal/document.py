"""A rehearsal as one JSON document; the keys are a contract with scripts."""

from __future__ import annotations

from typing import Any

from controller.rehearsal.rehearse import Rehearsal


def rehearsal_document(
    rehearsal: Rehearsal, *, config: str, scenario: str, wall_s: float
) -> dict[str, Any]:
    """Return the document of a rehearsal that has run.

    Everything but ``wall_s`` and ``started`` is the same for the same configuration, scenario and
    seed. Instants ``t_s`` are simulated seconds from the start; temperatures are those of the true
    plant and not of a probe.

    Args:
        rehearsal: What has run.
        config: Name of the configuration, as given.
        scenario: Name of the scenario.
        wall_s: How long it took [s].
    """
    tally, account = rehearsal.tally, rehearsal.chamber.account()
    return {
        "config": config,
        "scenario": scenario,
        "seed": rehearsal.seed,
        "started": rehearsal.started.isoformat(),
        "simulated_s": tally.lasted_s,
        "wall_s": round(wall_s, 3),
        "starts": tally.starts,
        "duty": round(tally.duty, 6),
        "shortest_run_s": tally.shortest_run_s,
        "shortest_rest_s": tally.shortest_rest_s,
        "air_c": tally.air_c.document(tally.lasted_s),
        "reservoir_c": tally.reservoir_c.document(tally.lasted_s),
        "in_band_share": round(tally.in_band_share, 6),
        "degree_hours_above": round(tally.degree_hours_above, 4),
        "degree_hours_below": round(tally.degree_hours_below, 4),
        "packs_used": rehearsal.packs_used,
        "ice_melted_kg": _rounded(account.ice_melted_kg),
        "heat_removed_kj": _rounded(account.heat_removed_kj),
        "energy_balance_error": account.energy_balance_error,
        "switches": tally.switches,
        "alarms": [
            {
                "name": alarm.name,
                "about": alarm.about,
                "raised_t_s": alarm.raised_t_s,
                "cleared_t_s": alarm.cleared_t_s,
            }
            for alarm in tally.alarms
        ],
        "swaps": rehearsal.swaps,
        "forecasts": rehearsal.lookout.forecasts,
        "notices": rehearsal.lookout.notices,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
