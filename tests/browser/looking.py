"""What a browser sees: pages without faults, findings of axe-core, what sticks out of the screen."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, ConsoleMessage, Page, Request, Response

from tests.browser.house import House

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@dataclass
class Visit:
    """One person's browser at a house. complaints: what the browser said was wrong."""

    page: Page
    house: House
    complaints: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", self._watch)
        self.page.on("response", self._check)

    def _hear(self, message: ConsoleMessage) -> None:
        is_about_loading = message.text.startswith("Failed to load resource")
        if message.type in ("error", "warning") and not is_about_loading:
            self.complaints.append(message.text)

    def _watch(self, request: Request) -> None:
        """Nothing is asked of anybody else."""
        if not request.url.startswith((self.house.address, "data:", "blob:")):
            self.complaints.append(f"asked {request.url}")

    def _check(self, answer: Response) -> None:
        """Whatever a page needs must be there; a page itself may be a refusal."""
        if answer.status >= 400 and answer.request.resource_type != "document":
            self.complaints.append(f"{answer.status} {answer.url}")

    def go(self, path: str) -> Response:
        answer = self.page.goto(self.house.address + path)
        assert answer is not None, "another page"
        return answer

    def press(self, name: str) -> None:
        """The button or link of that name."""
        found = self.page.get_by_role("button", name=name, exact=True)
        if not found.count():
            found = self.page.get_by_role("link", name=name, exact=True)
        found.first.click()
        self.page.wait_for_load_state()

    def press_summary(self, words: str) -> None:
        """Open what is folded away under those words; it may be open already."""
        fold = self.page.locator("details", has=self.page.locator("summary", has_text=words))
        if fold.get_attribute("open") is None:
            fold.locator("summary").click()

    def sign_in(self) -> None:
        self.page.goto(self.house.owner_link())
        self.press("Sign in")

    def says(self, words: str) -> bool:
        """Whether the words stand on the page, whatever case and spaces."""
        text = " ".join(self.page.inner_text("body").split()).casefold()
        return words.casefold() in text

    @property
    def sticks_out_px(self) -> int:
        """How far the page is wider than the screen."""
        wide = self.page.evaluate("document.documentElement.scrollWidth - innerWidth")
        return max(0, int(wide))


@contextmanager
def visiting(context: BrowserContext, house: House) -> Iterator[Visit]:
    visit = Visit(context.new_page(), house)
    try:
        yield visit
    finally:
        context.close()


def axe_findings(page: Page) -> list[str]:
    """What axe-core finds wrong, one line a finding."""
    found = Axe().run(page, options=RULES).response["violations"]
    return [
        f"{each['impact']}: {each['id']}: {node['html'][:160]}" for each in found for node in each["nodes"]
    ]
