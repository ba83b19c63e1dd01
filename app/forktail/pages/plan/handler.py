"""The address /plan: the printable bench plan of the circuit in the query of a Build page link."""

from concurrent.futures import ThreadPoolExecutor

from tornado.ioloop import IOLoop
from tornado.iostream import StreamClosedError
from tornado.web import RequestHandler

from forktail.core.checks import QuantityError
from forktail.pages.plan.page import page_body, page_head, problem_body
from forktail.pages.plan.state import plan_apart, plan_scene, question_of_query
from forktail.ui.state import MAX_QUERY

#: Threads that wait for plans; the plans themselves are worked out in processes.
_POOL = ThreadPoolExecutor(max_workers=4, thread_name_prefix="forktail-plan")


class PlanHandler(RequestHandler):
    """Sends the head at once, so that something is seen, and the plan when it is there."""

    async def get(self):
        """Answer one request."""
        query = self.request.query
        back = "build" + (f"?{query}" if query else "")
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.set_header("Cache-Control", "no-store")
        loop = IOLoop.current()
        try:
            if len(query) > MAX_QUERY:
                raise QuantityError(
                    f"The link is {len(query)} characters long; at most {MAX_QUERY} are read."
                )
            question, notes = await loop.run_in_executor(_POOL, question_of_query, query)
        except QuantityError as error:
            self.set_status(400)
            self.finish(page_head("none") + problem_body(str(error), "build"))
            return
        self.write(
            page_head(
                question.circuit.title,
                f"Working out the bench plan: {question.builds} "
                "builds, and every single fault. This takes a few seconds.",
            )
        )
        try:
            await self.flush()
            try:
                plan = await loop.run_in_executor(_POOL, plan_apart, question)
                body = await loop.run_in_executor(
                    _POOL, lambda: page_body(plan, plan_scene(plan), notes, back)
                )
            except QuantityError as error:
                body = problem_body(str(error), back)
            await self.finish(body)
        except StreamClosedError:  # the reader went away
            pass


HANDLERS = [(r"/plan", PlanHandler)]
