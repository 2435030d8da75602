"""What every table shares: a row opens its page, numbers stand right, cards on a phone."""

import django_tables2 as tables


class NumberColumn(tables.Column):
    """A figure, set right; `through` writes it (a shopfloor filter)."""

    def __init__(self, *args, through=None, **kwargs):
        kwargs.setdefault("attrs", {"td": {"class": "figure"}, "th": {"class": "figure"}})
        super().__init__(*args, **kwargs)
        self.through = through

    def render(self, value):
        return self.through(value) if self.through else value


class DayColumn(tables.Column):
    def render(self, value):
        from kilnshop.web.templatetags.shopfloor import day

        return day(value)


class StateColumn(tables.TemplateColumn):
    def __init__(self, **kwargs):
        kwargs.setdefault("orderable", False)
        super().__init__(template_code='{% include "pieces/state.html" with state=value only %}', **kwargs)


class ShopTable(tables.Table):
    """Linkify the first column and the whole row opens it."""

    def __init__(self, *args, **kwargs):
        kwargs.setdefault("default", "–")
        super().__init__(*args, **kwargs)

    class Meta:
        template_name = "pieces/table.html"
        attrs = {"class": "data"}
        empty_text = "Nothing here yet."
        per_page = 50
