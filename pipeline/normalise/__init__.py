"""Raw records → the fleet's history in true time, in this order.

1. `clocks`       observed, eras: lines of each station's clock; correct, own_record: station times → true times with a stated error
2. `signals`      calls joined to their answers, connectors and codes filled in: core_signal; pilot rows: core_pilot
3. `sessions`     presence_events: what each record says of a vehicle being there, and why a new session starts
4. `sessions`     plug_in_spans: spans from pilot, messages and exports, merged into one set an EVSE
5. `attempts`     assemble: every record to its plug-in; registers, energy: what was delivered, and what came after a moment
6. `attempts`     stage_events: how far each record says it came; progress: what ended it: core_plug_in
7. `sessions`     identities, telematics, reported_plug_ins: whose vehicle it was, what the vehicle itself reported
8. `attempts`     outcome: one table of questions; stage: how far, how soon, and what is known of asking: core_attempt
9. `incremental`  windows, narrowing, attempt_rebuild: which of all this new rows can have changed, and only that is made again
10. `rebuild`     1 to 6 over the stations that need it, batch by batch; `stage`: 1 to 9 over a warehouse, in one transaction

What a message means is decided in `pipeline.ocpp`; docs/explanation/from-message-to-attempt.md draws it.
"""

from pipeline.normalise.stage import normalise

__all__ = ["normalise"]
