"""Takes MQTT messages in: payload to readings, durable before acknowledged."""
