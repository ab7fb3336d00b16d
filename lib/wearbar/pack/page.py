"""A notebook that has run as a page of HTML, by nbconvert and shared/report/index.html.j2."""

from functools import cache

from nbconvert import HTMLExporter
from nbconvert.filters import Highlight2HTML
from nbformat.v4 import new_code_cell, new_notebook

from wearbar.log import places


class _Exporter(HTMLExporter):
    """nbconvert's, without what takes it longer than the page itself: it reads the page again, for
    pictures without a description (ours have one) and for marks of a notebook's own pages, and
    prepares the notebook in steps of which none has anything to do."""

    def from_notebook_node(self, nb, resources=None, **kw):
        self.register_filter("highlight_code", Highlight2HTML(pygments_lexer="python", parent=self))
        return super(HTMLExporter, self).from_notebook_node(nb, self._init_resources(resources))


def page(book, name, **about):
    """The page of a notebook. about: what the template asks for besides its name."""
    return _exporter().from_notebook_node(book, about | {"metadata": {"name": name}})[0]


@cache
def _exporter():
    where = [str(places.place("shared"))]
    how = {"template_name": "report", "exclude_anchor_links": True, "default_preprocessors": []}
    return _Exporter(extra_template_basedirs=where, **how)


# what every page needs and takes time: templates, and the patterns of Python's words
page(new_notebook(cells=[new_code_cell("1")]), name="")
