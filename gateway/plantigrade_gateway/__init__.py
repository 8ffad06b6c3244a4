"""The gateway: Bluetooth, store, sound and commands around the `plantigrade` measures."""
