"""Sends readings on as they come: to a FHIR server, to PostgreSQL, over MQTT.

Readings wait in the store's outbox (collector.store.outbox) until their receiver has them; `send` empties it.
A reading that changes later (a better time, another owner) is sent again, one that goes is taken back.

    with open_store(path) as store:
        outcome = send(store, settings, context)     # collector.share.relay.sending
"""
