"""Where orders wait for the next cycle, and where the core's word on them goes back to who asked.

It turns a message into the core's order: a load list and a profile file become a `Load`. It permits and refuses
nothing of its own but what cannot be read.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import PurePath
from typing import Any

from controller import words
from controller.bathmodel import BathFile
from controller.core.orderchecks import raises_energy
from controller.core.orders import rule_of
from controller.core.plan import compile_plan
from controller.core.planned import Load, Plan
from controller.core.state import CircuitState
from controller.core.types import Event, EventKind, Order, Scalar
from controller.records.batchlist import count, parse_batches
from controller.records.head import Text
from controller.records.rows import time_utc
from controller.service.clock import Now
from controller.service.errors import Refused
from controller.service.kept import Flush, Kept
from controller.service.loadargs import load_args
from controller.service.people import Person
from controller.service.proofs import due_day
from controller.service.protocol import Answer, OrderMessage, ReadBack, Told
from controller.service.released import GIVEN, Found, found_release
from profiles.loader import Document, load_model, read_document
from profiles.problems import InputError
from profiles.profile import Profile

ANSWER_CYCLES_S = 60.0
"""Longest wait for the cycle that takes an order; the loop answers in the next one."""

MOST_SIGNED = 1_800
"""Characters of a sign-off's result that surely fit the record's cell, with who signed."""

LARGEST_PROFILE_BYTES = 256_000
"""Many times what twenty steps and their comments take."""

MOST_TOLD = 200
"""Refusals kept for the next cycle to tell, so that a standing loop fills no memory."""


@dataclass(frozen=True, slots=True)
class Files:
    """What a load rests on, until the core has accepted it. `sha256`: of the profile's text."""

    sha256: str
    profile: Text
    release: Text | None


class Desk:
    """The orders waiting, and the futures of those who gave them."""

    def __init__(
        self,
        file: BathFile,
        now: Callable[[], Now],
        flush: Flush | None = None,
        dropped: Callable[[str], bool] = lambda _: False,
    ) -> None:
        """`now` tells the last cycle's time, by which "filled so many minutes ago" is counted.

        `flush` waits until the record is safe (None: time is stepped, nobody waits). `dropped`: see `Kept`.

        `profiles` (by the hash of their text) and `releases` (by the circuit) are the files of accepted loads.
        """
        self.kept = Kept(flush, dropped)
        self._reading = asyncio.Lock()
        self._places = {circuit.name: circuit.places for circuit in file.circuit}
        self._now = now
        self._waiting: list[Order] = []
        self._asked: dict[str, asyncio.Future[Answer]] = {}
        self._orders: dict[str, Order] = {}
        self._told: deque[dict[str, Any]] = deque(maxlen=MOST_TOLD)
        self.profiles: dict[str, Text] = {}
        self.releases: dict[str, Text] = {}
        self._waiting_files: dict[str, Files] = {}
        self._taken_files: dict[str, Files] = {}
        self.taken = 0

    async def on_order(self, message: OrderMessage, person: Person) -> Answer:
        """Queue one order and wait for the core's word on it."""
        target = next((name for name in self._places if name.lower() == message.target.lower()), message.target)
        order = Order(
            id=message.id,
            verb=message.verb,
            target=target,
            who=person.name,
            roles=person.roles,
            args=dict(message.args),
            seen_revision=message.seen_revision,
        )
        try:
            if message.verb == "load":
                order = await self._with_load(order)
            else:
                _fits_record(order)
        except Refused as refused:
            self._tell(order, refused.text)
            raise
        answer: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._asked[order.id], self._orders[order.id] = answer, order
        self._waiting.append(order)
        self.taken += 1
        try:
            async with asyncio.timeout(ANSWER_CYCLES_S):
                given = await answer
        except TimeoutError:
            raise Refused("no_cycle", "no cycle took the order in time; look at what the circuit does") from None
        else:
            return await self.kept.answer(message.verb, given)
        finally:
            self._asked.pop(order.id, None)
            self._orders.pop(order.id, None)
            self._waiting_files.pop(order.id, None)
            self._waiting = [waiting for waiting in self._waiting if waiting is not order]

    def has(self, order_id: str) -> bool:
        """Return whether this order is queued, or was and waits for its answer."""
        return order_id in self._asked

    def take(self) -> tuple[Order, ...]:
        """Return the orders for this cycle."""
        orders, self._waiting = tuple(self._waiting), []
        # Who asked may hang up while the cycle decides: what it decides on stays until it has.
        self._taken_files, self._waiting_files = self._waiting_files, {}
        return orders

    def settle(self, events: tuple[Event, ...], circuits: tuple[CircuitState, ...]) -> None:
        """Keep the files of the loads that this cycle accepted, for their records; forget what no load rests on.

        A refused load changes nothing: the record names the release that the load standing there was accepted with.
        """
        files, self._taken_files = self._taken_files, {}
        for event in events:
            found = files.get(str(event.data.get("order")))
            if found is None or event.kind is not EventKind.ORDER or event.data.get("verb") != "load":
                continue
            self.profiles[found.sha256] = found.profile
            self.releases.pop(event.target, None)
            if found.release is not None:
                self.releases[event.target] = found.release
        if files:
            self._forget(circuits)

    def _forget(self, circuits: tuple[CircuitState, ...]) -> None:
        loads = {each.name: each.load for each in circuits if each.load is not None}
        used = {load.plan.sha256 for load in loads.values()}
        released = {name for name, load in loads.items() if load.released}
        self.profiles = {sha256: text for sha256, text in self.profiles.items() if sha256 in used}
        self.releases = {name: text for name, text in self.releases.items() if name in released}

    def answer(self, events: tuple[Event, ...]) -> list[dict[str, Any]]:
        """Answer who asked, and return what is told to all: each order or refusal, and each read-back."""
        told = list(self._told)
        self._told.clear()
        at = time_utc(self._now().utc_ms)
        for event in events:
            order_id = event.data.get("order")
            if not isinstance(order_id, str) or event.kind not in (EventKind.ORDER, EventKind.REFUSAL):
                continue
            verb, text = str(event.data.get("verb") or ""), words.text(event)
            if event.code == "read_back":
                back = ReadBack(id=order_id, time_utc=at, verb=verb, target=event.target, text=text)
                told.append(back.model_dump())
                continue
            who, accepted = str(event.data.get("who") or ""), event.kind is EventKind.ORDER
            said = Told(id=order_id, time_utc=at, verb=verb, target=event.target, who=who, accepted=accepted, text=text)
            told.append(said.model_dump())
            waiting = self._asked.get(order_id)
            if waiting is not None and not waiting.done():
                waiting.set_result(self._answer(order_id, event))
        return told

    def refuse(self, orders: tuple[Order, ...], verbs: tuple[str, ...], code: str) -> tuple[Order, ...]:
        """Answer the orders of these verbs with a refusal, and return the others."""
        return self._refuse(orders, lambda order: order.verb in verbs, code, {})

    def refuse_late(self, orders: tuple[Order, ...], seconds: float) -> tuple[Order, ...]:
        """Answer the orders that could let current flow, and return the others: these may be older than they look.

        They may have waited while nothing was read. The core refuses them in the first cycle after such a time; this is
        for those that come behind it.
        """
        late = {"seconds": seconds}
        return self._refuse(orders, lambda order: raises_energy(order.verb, order.args), "late", late)

    def _refuse(
        self, orders: tuple[Order, ...], which: Callable[[Order], bool], code: str, data: Mapping[str, Scalar]
    ) -> tuple[Order, ...]:
        why = words.filled(words.REFUSALS[code], data)
        for order in orders:
            waiting = self._asked.get(order.id)
            if which(order) and waiting is not None and not waiting.done():
                waiting.set_result(Answer(id=order.id, accepted=False, code=code, text=why))
                self._tell(order, f"{order.verb} refused: {why}")
        return tuple(order for order in orders if not which(order))

    def refuse_all(self) -> None:
        """Answer everybody that the service is ending."""
        for order_id, waiting in self._asked.items():
            if not waiting.done():
                ending = words.REFUSALS["service_ending"]
                waiting.set_result(Answer(id=order_id, accepted=False, code="service_ending", text=ending))
                order = self._orders[order_id]
                self._tell(order, f"{order.verb} refused: {ending}")

    def _tell(self, order: Order, text: str) -> None:
        """Keep for all who are attached what was refused before any cycle saw it; told with the next cycle."""
        at = time_utc(self._now().utc_ms)
        said = Told(
            id=order.id, time_utc=at, verb=order.verb, target=order.target, who=order.who, accepted=False, text=text
        )
        self._told.append(said.model_dump())

    def _answer(self, order_id: str, event: Event) -> Answer:
        accepted, order = event.kind is EventKind.ORDER, self._orders.get(order_id)
        rule = rule_of(order) if order is not None else None
        return Answer(
            id=order_id,
            accepted=accepted,
            code="" if accepted else event.code,
            text=words.text(event),
            reads_back=accepted and rule is not None and rule.reads_back,
        )

    async def _with_load(self, order: Order) -> Order:
        """Return the order with what it loads. The file is read and worked through beside the loop, one at a time.

        Where the core refuses anyhow, by role or target, nothing is read: it gets the order without a load.
        """
        args = order.args
        if order.target not in self._places or not _may(order):
            return replace(order, args={**args, "profile": PurePath(str(args.get("profile") or "")).name})
        batches = str(args.get("batch") or "")
        try:
            listed = parse_batches(batches)
        except ValueError as error:
            raise Refused("bad_list", words.filled(words.REFUSALS["bad_list"], {"what": str(error)})) from None
        try:
            async with self._reading:
                document, plan, found = await asyncio.to_thread(_profile, str(args.get("profile") or ""))
        except InputError as error:
            first = str(error.problems[0])
            raise Refused("bad_profile", words.filled(words.REFUSALS["bad_profile"], {"what": first})) from None
        try:
            said = load_args(args, plan)
        except ValueError as error:
            raise Refused("bad_list", words.filled(words.REFUSALS["bad_list"], {"what": str(error)})) from None
        links = max(0, max(batch.last for batch in listed) - count(listed))
        load = Load(
            plan=plan,
            batteries=count(listed),
            batch=listed[0].name,
            fresh=said.fresh,
            first_filled_ms=self._filled_ms("first_filled", args),
            last_filled_ms=self._filled_ms("last_filled", args),
            text=batches,
            battery_type=said.battery_type,
            continues=said.continues,
            first_step=said.first_step,
            credited_Ah=said.credited_Ah,
            trial=said.trial,
            released=found.release is not None,
        )
        if load.last_filled_ms < load.first_filled_ms:
            raise Refused("bad_list", "load list refused: the last was filled before the first; swap the two moments")
        self._waiting_files[order.id] = Files(document.sha256, Text(document.path.name, document.text), found.release)
        kept = {**_stated(args), "links": links, "profile": document.path.name, **found.args}
        return replace(order, args=kept, load=load)

    def _filled_ms(self, what: str, args: Mapping[str, Scalar]) -> int:
        """Return when a battery was filled, in core time: a person's moment becomes an age here."""
        now = self._now()
        minutes = args.get(f"{what}_minutes_ago")
        if isinstance(minutes, int | float):
            return now.now_ms - round(minutes * 60_000)
        moment = args.get(f"{what}_utc")
        try:
            stated = datetime.fromisoformat(str(moment))
        except ValueError:
            raise Refused("bad_list", f"load list refused: {what} is missing or no time") from None
        if stated.tzinfo is None:
            raise Refused("bad_list", f"load list refused: {what} has no time zone")
        return now.now_ms - (now.utc_ms - round(stated.timestamp() * 1000))


def _fits_record(order: Order) -> None:
    """Raise `Refused` for words that the record cannot hold as what they are meant: a sign-off, a number, a day."""
    if order.verb == "sign-off" and len(str(order.args.get("result") or "")) > MOST_SIGNED:
        raise Refused("outcome", words.filled(words.REFUSALS["outcome"], {"said": f"over {MOST_SIGNED} characters"}))
    warm = order.args.get("temperature_C")
    if order.verb == "reading" and (isinstance(warm, str) or warm is True or warm is False):
        raise Refused("reading_no_number", words.REFUSALS["reading_no_number"])
    if order.verb == "proof":
        try:
            due_day(order.args.get("due"))
        except ValueError as error:
            raise Refused("proof_due", words.filled(words.REFUSALS["proof_due"], {"what": str(error)})) from None


def _stated(args: Mapping[str, Scalar]) -> dict[str, Scalar]:
    """Return a client's arguments without those that only the service writes."""
    return {key: value for key, value in args.items() if key not in GIVEN}


def _may(order: Order) -> bool:
    """Return whether the core lets this person give an order of this kind at all."""
    rule = rule_of(order)
    return rule is not None and bool(set(rule.roles) & set(order.roles))


def _profile(path: str) -> tuple[Document, Plan, Found]:
    """Return a profile file, its plan, and its release. Raises `InputError`.

    For a thread: a file may take longer than a cycle.
    """
    document = read_document(path, LARGEST_PROFILE_BYTES)
    plan = compile_plan(load_model(document, Profile), document.sha256)
    return document, plan, found_release(document)
