"""Who may open a page."""

from collections.abc import Callable
from functools import wraps

from kilnshop.shop.roles import May, require


def allowed(*rights: May) -> Callable:
    """A view for people with every one of these rights; others get the 403 page that says why."""

    def decorate(view: Callable) -> Callable:
        @wraps(view)
        def guarded(request, *args, **kwargs):
            for right in rights:
                require(request.user, right)
            return view(request, *args, **kwargs)

        guarded.rights = rights
        return guarded

    return decorate
