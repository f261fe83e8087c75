"""MQTT: the broker connection, message payloads, the publisher and the overview of many rigs."""
