"""A page as a browser takes it: elements, attributes and texts."""

from html.parser import HTMLParser

_VOID = {"meta", "link", "br", "hr"}


class Page(HTMLParser):
    """Elements with their attributes, and the texts in each kind of element."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self._open: list[str] = []
        self.unbalanced: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in _VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.texts.append((self._open[-1] if self._open else "", data.strip()))

    def texts_in(self, tag: str) -> list[str]:
        return [text for where, text in self.texts if where == tag]

    @property
    def all_text(self) -> str:
        return " ".join(text for where, text in self.texts if where != "style")

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]
