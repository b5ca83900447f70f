"""The data folder of a station, and its settings.

The data folder holds ``meterlink.db``, the local socket, ``stock.toml`` (the parts on the truck, see
`meterlink.settings.stock`) and ``settings.toml``::

    station = "van-3"                  # this station's name on MQTT; default: the host name
    adapter = "00:00:5E:00:53:AA"      # the Bluetooth adapter to use, on Linux; default: the system's choice

    [judge]
    capacitor_tolerance = "6 %"        # for a run capacitor with no tolerance printed on it
    rule = "guarded acceptance"        # or guarded rejection, or guarded (both); default: simple acceptance
    guard_factor = 1.0                 # guard band / expanded uncertainty; only with a guarded rule
    ambient_temperature = "35 °C"      # at the meters; default: within 18 to 28 °C

    [[meter]]                          # a meter of this station; one table for each
    address = "00:00:5E:00:53:0A"
    name = "clamp meter"               # shown instead of its own name
    pinned_point = "line-volts"        # always measures this test point, not the active one
    profile = "yard-meter"             # the profile, in the data folder, that reads this meter
    temperature_coefficient = 0.1      # share of the accuracy, per °C outside 18 to 28 °C
    calibrated = "2025-03-01"          # the date of its last calibration
    calibration_due = "2026-03-01"     # afterwards its readings say 'calibration overdue'
    certificate = "K-1047"             # the number of the certificate

    [[meter.accuracy]]                 # a row of its accuracy sheet, see meterlink.settings.accuracy_table
    quantity = "capacitance"
    up_to = "100 uF"
    line = "2 % + 5 digits"

    [mqtt]                             # without this table nothing is published
    host = "broker.example"
    port = 8883
    username = "van-3"
    password_file = "mqtt-password"    # relative to the data folder
    ca_file = "shop-ca.pem"

    [keys]                             # of the dashboard; a pedal or a page turner is a keyboard
    next = ["pagedown", "n"]
    accept = ["enter", "a"]

    [firm]                             # at the head of reports
    name = "Harbour Cooling"
    address = "4 Quay Street, 555-0142"
    logo = "logo.png"                  # relative to the data folder

Each file is a declared table: its reader and its JSON Schema come from one declaration.
"""

from meterlink.settings.folder import (
    DATA_FOLDER_VARIABLE,
    DATABASE_FILE,
    SETTINGS_FILE,
    STOCK_FILE,
    data_dir,
    existing_data_dir,
)
from meterlink.settings.mqtt_table import MqttSettings
from meterlink.settings.parser import (
    BLUETOOTH_ADDRESS,
    MeterSettings,
    Settings,
    chosen_adapter,
    load_settings,
    settings_schema,
)
from meterlink.settings.stock import load_stock, stock_schema

__all__ = [
    "BLUETOOTH_ADDRESS",
    "DATABASE_FILE",
    "DATA_FOLDER_VARIABLE",
    "SETTINGS_FILE",
    "STOCK_FILE",
    "MeterSettings",
    "MqttSettings",
    "Settings",
    "chosen_adapter",
    "data_dir",
    "existing_data_dir",
    "load_settings",
    "load_stock",
    "settings_schema",
    "stock_schema",
]
