"""Readings as FHIR R4 (4.0.1): a collection or transaction Bundle, or bulk NDJSON; and back again.

The blood pressure Observation follows the core profile `bp` and, as far as it can be met, the HL7 Personal
Health Device guide; docs/exchange.md says what is met and how it was checked.

    write_collection(readings, file, context)     # also write_transaction, write_bulk; all stream
    for reading in parse_bundle(file): …           # readings of a bundle that quietcuff wrote
"""
