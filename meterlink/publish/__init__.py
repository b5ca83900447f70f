"""MQTT and the reader of the outbox: the only importer of aiomqtt."""
