"""The least a script can do: lines of a serial port to MQTT. `python serial_to_mqtt.py PORT MQTT-PORT`.

The yardstick of bench_latency: it decodes nothing, judges nothing and remembers nothing.
"""

import sys

import paho.mqtt.client as mqtt
import serial

TOPIC = "bare/temperature"


def main() -> None:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="bare")
    client.connect("127.0.0.1", int(sys.argv[2]))
    client.loop_start()
    with serial.Serial(sys.argv[1], 115200) as port:
        while True:
            text = port.readline().decode("ascii", "replace").strip()
            try:
                value = float(text)
            except ValueError:
                continue
            client.publish(TOPIC, f"{value:.1f}", qos=1, retain=True)


if __name__ == "__main__":
    main()
