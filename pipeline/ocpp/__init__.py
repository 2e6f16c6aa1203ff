"""What a message means, once: vocabulary, predicates, call–result pairing. Knows no storage.

`vocabulary`: the words of OCPP 1.6 and 2.0.1 by what they tell. `predicates`: what one message says,
as expressions over rows of raw_frame, raw_event or core_signal. `pairing`: which result answers
which call. `transactions`: starts and stops that carry no id of their own.
"""
