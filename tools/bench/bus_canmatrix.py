# SPDX-License-Identifier: Apache-2.0
# Decodes frames with canmatrix by a DBC file and prints what that cost as JSON.
import json
import struct
import sys
import time

import canmatrix.formats

database = canmatrix.formats.loadp_flat(sys.argv[1])
raw = open(sys.argv[2], "rb").read()
limit = int(sys.argv[3])
frames = []
for at in range(0, min(len(raw), 16 * limit), 16):
    identifier, length = struct.unpack_from("<IB", raw, at)
    key = canmatrix.ArbitrationId(identifier & 0x1FFFFFFF, extended=identifier >> 31 == 1)
    frames.append((key, raw[at + 8 : at + 8 + length]))
begun = time.process_time_ns()
count, total = 0, 0.0
for key, data in frames:
    for value in database.decode(key, data).values():
        total += float(value.phys_value)
    count += 1
print(json.dumps({"items": count, "ns": time.process_time_ns() - begun, "sum": total}))
