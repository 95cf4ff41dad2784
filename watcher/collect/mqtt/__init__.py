"""What devices publish to an MQTT broker: topic maps and payloads (pure), the connection, one collector a site."""
