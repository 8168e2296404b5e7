"""The bodies, pieces and clearances of a machine file."""

from __future__ import annotations

from sequencer.files.parts import PartReader, read_keys
from sequencer.machine.body import Body, Clearance
from sequencer.machine.body_problems import FRAME, OUTSIDE
from sequencer.machine.keys import BODY, CLEARANCE, PIECE
from sequencer.machine.piece import Piece
from sequencer.machine.reading import Fields, joined
from sequencer.places import Place

_SOME_PARTS = (((0.0, 0.0), (1.0, 0.0), (0.0, 1.0)),)
"""Outline of the stand-in for a body that could not be read, so that what names it is no second mistake."""


class BodyReader(PartReader):
    """Reads bodies and what is said about them."""

    def bodies(self) -> dict[str, Body]:
        found = {}
        for name, node, path, place in self.top.children("bodies"):
            body = self._body(name, self.section(BODY, node, path), place)
            found[name] = body if body is not None else Body(name, FRAME, _SOME_PARTS, place=place)
        return found

    def _body(self, name: str, fields: Fields | None, place: Place) -> Body | None:
        if fields is None:
            return None
        self._belongs_outside(fields)
        written = [key.name for key in BODY.keys if fields.node(key.name) is not None]
        values = read_keys(fields, written)
        if len(values) < len(written):
            return None
        body: Body | None = self.made(Body, fields, {**values, "name": name, "place": place})
        return body

    def _belongs_outside(self, fields: Fields) -> None:
        carrier = fields.node("carried_by")
        if fields.node("along") is not None and carrier is not None and carrier.value != OUTSIDE:
            message = f"'along' belongs to a body that stands outside; this one is carried by {carrier.text}"
            self.reading.wrong_at(fields.at.place_of("along"), joined(fields.path, "along"), message)

    def pieces(self) -> dict[str, Piece]:
        found = {}
        for name, node, path, place in self.top.children("pieces"):
            fields = self.section(PIECE, node, path)
            piece = self.built(Piece, fields, *(key.name for key in PIECE.keys), name=name, place=place)
            if piece is not None:
                found[name] = piece
            if fields is not None and fields.node("parts") is not None and (piece is None or not piece.parts):
                found[name] = Piece(name, 0.0, FRAME, parts=_SOME_PARTS, place=place)
        return found

    def clearances(self) -> tuple[Clearance, ...]:
        found = []
        node = self.top.node("clearances")
        for index, item in enumerate((node.items if node else None) or ()):
            path = f"clearances[{index}]"
            fields = self.section(CLEARANCE, item, path)
            if fields is None:
                continue
            self.reading.paths[item.place] = path
            reason = fields.node("exempt")
            if reason is not None and isinstance(reason.value, str) and not reason.value.strip():
                message = "the reason is empty; say why the two are not watched"
                self.reading.wrong(reason, joined(path, "exempt"), message)
            clearance = self.built(Clearance, fields, *(key.name for key in CLEARANCE.keys), place=item.place)
            if clearance is not None:
                found.append(clearance)
        return tuple(found)
