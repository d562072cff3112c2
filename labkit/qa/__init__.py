"""Quality assurance: uncertainty, decision rules, sets, readings, capability, gauge studies."""
