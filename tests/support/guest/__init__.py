"""A guest with a real BlueZ: a small virtual machine whose Bluetooth adapter hears simulated meters.

`files` fetches its files, `machine` boots it, `station_guest` is for tests. `agent`, `meters`,
`acknowledging_station` and `message_collector` run inside it. See tests/system/bluez/README.md.
"""
