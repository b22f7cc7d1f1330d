"""The live whole: source, recorder, pipeline, and events to those who watch.

The source's thread writes each chunk to the raw stream, then decodes it and hands it to the session.  The event loop only
hears of it afterwards, so a stalled loop or page can neither lose nor re-time a reading; and whatever goes wrong in decoding
or judging, or with the evidence store, the recording goes on.
"""

from capture.station.live import Station

__all__ = ["Station"]
