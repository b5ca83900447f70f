"""The dashboard of Meterlink: the screen for a technician whose hands hold the probes."""

import os

# Changes wait for the library's next painting, 1/60 s and more of the 50 ms in which a key is to act. It paints only
# after a change, so this adds no painting. The library reads it when it is first imported.
PAINTINGS = 200  # a second at most
os.environ.setdefault("TEXTUAL_FPS", str(PAINTINGS))
