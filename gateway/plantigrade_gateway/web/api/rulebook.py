"""Rules: the rule file that new sheets are made with, and those that were kept."""

from fastapi import APIRouter
from fastapi.responses import JSONResponse

from plantigrade_gateway.converter import plain
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.rulebook import RuleBook, Version
from plantigrade_gateway.web.api.documents import RulesDocument
from plantigrade_gateway.web.desk.reads import DeskStore, NotThere


def rules_router(reads: DeskStore) -> APIRouter:
    """Return the routes of rules; they are changed on their page."""
    router = APIRouter(prefix="/rules", tags=["rules"])

    @router.get("", response_model=RulesDocument)
    def current_rules() -> JSONResponse:
        """Give the rule file that new sheets are made with."""
        return _document(RuleBook(reads.register).current())

    @router.get("/{version_id}", response_model=RulesDocument)
    def kept_rules(version_id: str) -> JSONResponse:
        """Give a rule file that was kept."""
        try:
            return _document(RuleBook(reads.register).version(version_id))
        except StoreError as error:
            raise NotThere(str(error)) from error

    return router


def _document(one: Version) -> JSONResponse:
    found = RulesDocument(
        1,
        one.version_id,
        one.is_built_in,
        one.when,
        one.rules.name,
        one.rules.version,
        one.text,
    )
    return JSONResponse(plain(found))
