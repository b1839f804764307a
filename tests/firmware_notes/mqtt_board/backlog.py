# What waits after a long time without a network: `micropython backlog.py NODE REPORTS`. Prints as JSON how
# many bytes each report takes, how many were sent, and the longest run of them with no food for the watchdog.

import gc
import json
import sys

sys.path.insert(0, sys.argv[1])

from node import Node


class Settings:
    TANK, REPORT_S, KEEP, SLEEP = "porch", 30, 100000, False
    HOST, PORT, USER, PASSWORD, TLS_CA, NTP_HOST, NTP_PORT = "nowhere", 1, None, None, "", "", 0


class Board:
    now_ms, unfed, longest = 0, 0, 0

    def ticks_ms(self):
        self.now_ms += 1000
        return self.now_ms

    def network_up(self):
        return True

    def alive(self):
        self.unfed = 0

    def read(self):
        part = self.now_ms / 1e9
        return [
            ("temperature", "Cel", 24.0 + part),
            ("room_temperature", "Cel", 20.0 + part),
            ("ph_probe", "mV", 12.0 + part),
            ("light", "lx", 7000),
        ]


class Client:
    stream, count = True, 0

    def publish(self, topic, payload, retain=False):
        self.count += 1
        board.unfed += 1
        board.longest = max(board.longest, board.unfed)


board = Board()
node = Node(Settings, board)
node.client = Client()
gc.collect()
before = gc.mem_alloc()
for _ in range(int(sys.argv[2])):
    node.measure()
gc.collect()
kept = len(node.waiting)
each = (gc.mem_alloc() - before) / kept
node.try_to_send()
if node.waiting:  # no room for all that at once: the next report comes, and the rest goes
    node.try_to_send()
print(
    json.dumps(
        {
            "each": each,
            "seq": node.seq,
            "kept": kept,
            "left": len(node.waiting),
            "sent": node.client.count,
            "longest": board.longest,
        }
    )
)
