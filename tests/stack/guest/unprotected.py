"""`listen` with both safeguards off, as no configuration allows: what they are for shows in what is lost."""

import asyncio
import sys
from pathlib import Path

from collector.radio.bluez import BlueZRadio
from collector.radio.plan import UseWitness
from collector.service.config import Config
from collector.service.listen import log
from collector.service.listen.assemble import listen

log.set_up("debug")
asyncio.run(listen(Path(sys.argv[1]), Config(), BlueZRadio(witness=UseWitness.OFF, subscriptions=False)))
