"""From numbers to outcomes: tolerances, decision rules, statistics over repeats. Pure; only here is *failed* said."""
