"""Out of the bay: what is measured, to a time-series database and a message broker.

The store keeps an outbox (`enqueue`, `outbox`); a process of its own (`process`) carries what is in
it to each configured sink (`tsdb`, `mqtt`), in order, again and again until it is there. Only that
process imports the sinks' libraries.
"""
