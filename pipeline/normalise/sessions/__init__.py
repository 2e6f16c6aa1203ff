"""Presence, spans and who: from events to plug-ins."""
