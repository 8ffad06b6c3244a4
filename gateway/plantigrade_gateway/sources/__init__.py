"""Where entries and rows come from: Bluetooth, replay files, zone CSV."""
