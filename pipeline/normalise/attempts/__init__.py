"""From plug-ins to attempts: stages, energy, outcome."""
