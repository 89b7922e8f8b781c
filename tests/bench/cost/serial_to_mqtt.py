"""The least a script can do: numbers of a serial line to MQTT. `python serial_to_mqtt.py PORT MQTT-PORT`.

The yardstick of bench_cost and bench_latency: it judges nothing and remembers nothing.
"""

import sys

import paho.mqtt.client as mqtt
import serial
from paho.mqtt.enums import CallbackAPIVersion

TOPIC = "bare/{}"
"""of the first number of a line, the second, ..."""


def main() -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare")
    client.connect("127.0.0.1", int(sys.argv[2]))
    client.loop_start()
    with serial.Serial(sys.argv[1], 115200) as port:
        while True:
            text = port.readline().decode("ascii", "replace").strip()
            try:
                values = [float(cell) for cell in text.split(",")]
            except ValueError:
                continue
            for number, value in enumerate(values, start=1):
                client.publish(TOPIC.format(number), f"{value:.1f}", qos=1, retain=True)


if __name__ == "__main__":
    main()
