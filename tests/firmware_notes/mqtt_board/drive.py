# Runs the MQTT node on MicroPython's unix port: `micropython drive.py SETTINGS.json`. The board is made up,
# all else is the node's own.

import json
import sys
import time


class Settings:
    """What a keeper sets, from a file."""

    def __init__(self, found):
        self.found = found

    def __getattr__(self, name):
        return self.found[name]

    def tls(self):
        import settings

        settings.TLS_CA = self.found["TLS_CA"]
        return settings.tls()


class Board:
    """Readings that follow from their number; a network as a file says."""

    def __init__(self, settings):
        self.settings = settings
        self.count = 0
        self.began = time.ticks_ms()

    def ticks_ms(self):
        return time.ticks_diff(time.ticks_ms(), self.began)

    def network_up(self):
        try:
            with open(self.settings.NETWORK) as file:
                return file.read() != "away"
        except OSError:
            return True

    def read(self):
        at = self.count
        self.count += 1
        if at >= self.settings.QUIET_FROM:
            return []
        room = None if at % 5 == 4 else 20.5
        return [
            ("temperature", "Cel", 20 + at / 16),
            ("room_temperature", "Cel", room),
            ("light", "lx", 100 * at),
        ]

    def alive(self):
        pass

    def sleep_s(self, seconds):
        time.sleep(seconds)


with open(sys.argv[1]) as given:
    SETTINGS = Settings(json.loads(given.read()))
sys.path.insert(0, SETTINGS.NODE)

from node import Node  # noqa: E402

node = Node(SETTINGS, Board(SETTINGS))
node.client.keepalive_s = SETTINGS.KEEPALIVE_S or node.client.keepalive_s
node.run(SETTINGS.REPORTS)
