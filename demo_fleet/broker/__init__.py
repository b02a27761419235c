"""The embedded MQTT broker, on loopback: for the demo, and for tests where there is no other.

MQTT 3.1.1 and 5. Whoever reaches loopback may speak, with any name or none. It takes QoS 0, 1 and 2
and hands on at QoS 0 and 1, delivers again what was not acknowledged, keeps retained messages, last
wills and sessions, all in memory and all bounded: what is to outlive the process is for a real
broker, and so are other machines, passwords, TLS and shared subscriptions.
"""

from demo_fleet.broker.embedded import HOST, BrokerFault, EmbeddedBroker

__all__ = ["HOST", "BrokerFault", "EmbeddedBroker"]
