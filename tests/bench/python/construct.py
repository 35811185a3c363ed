"""How long fhir.resources takes to construct the resources of a folder: the seconds of a processor in the fastest of five
passes.

The JSON is parsed before, so that only the construction is counted.
"""

import json
import sys
import time
from pathlib import Path

from fhir.resources import construct_fhir_element

documents = [json.loads(path.read_bytes()) for path in sorted(Path(sys.argv[1]).glob("*.json"))]
fastest = float("inf")
for _ in range(5):
    began = time.process_time()
    for document in documents:
        construct_fhir_element(document["resourceType"], document)
    fastest = min(fastest, time.process_time() - began)
print(fastest)
