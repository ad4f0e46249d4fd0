# SPDX-License-Identifier: Apache-2.0
# Reads a candump log with python-can and prints what that cost as JSON.
import json
import sys
import time

from can.io.canutils import CanutilsLogReader

begun = time.process_time_ns()
count = 0
for message in CanutilsLogReader(sys.argv[1]):
    count += 1
print(json.dumps({"items": count, "ns": time.process_time_ns() - begun}))
