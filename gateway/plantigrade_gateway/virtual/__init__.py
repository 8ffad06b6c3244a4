"""Virtual insoles behind a real Bluetooth host stack."""
