"""Hours of use of one session, without a browser: does the process grow after it is warm?"""

import gc
import tracemalloc

from forktail.pages.steer.page import SteerPage

#: An event every four seconds for eight hours.
EVENTS = 8 * 900


def events(page, first, count):
    """Slider events as the browser would send them."""
    for n in range(first, first + count):
        name = ("v_upper", "v_lower", "i_tail", "temperature")[n % 4]
        page.controls.handle({"kind": "slide", "name": name, "pos": n % 80, "seq": n})


def run():
    """Yield one row: bytes held after eight hours over those after the warm-up."""
    page = SteerPage()
    page.start("")
    page.controls.bucket.take = lambda: True  # hours pass in minutes: the limit a second is off
    tracemalloc.start()
    events(page, 0, EVENTS // 4)
    gc.collect()
    warm = tracemalloc.get_traced_memory()[0]
    events(page, EVENTS // 4, EVENTS - EVENTS // 4)
    gc.collect()
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    yield "bytes held after 8 h over after 2 h", after, warm, "B", 1.05
