"""MQTT and the reader of the outbox; `mqtt_client` is the only importer of aiomqtt and paho."""
