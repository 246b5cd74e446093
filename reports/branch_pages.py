"""The pages of branches, each made of its branch's own rows; of very many, other processes draw them meanwhile."""

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from threading import Thread

from reports import numbers
from reports.edition import Edition
from reports.locales import written_in
from reports.pages import branch
from reports.pages.branch import Chain, chain_of
from reports.rendering import Setting, render

MOST_PROCESSES = 4
"""Each takes some 300 MB."""
_THREADS = "POLARS_MAX_THREADS"
_AT_ONCE = 10
_OF_FINDINGS = ("incidents", "exposures")
"""What a branch's page reads of the whole chain, and only to tell what stands out there."""

Page = tuple[str, str]
"""A page's path from the edition's root, and its HTML."""


@dataclass(frozen=True)
class _Batch:
    """Some branches' pages to draw: each branch's own edition, what they take of the chain, and their setting."""

    editions: tuple[tuple[str, Edition], ...]
    chain: Chain
    setting: Setting


def path_of(branch_id: str) -> str:
    """The path of a branch's page from the edition's root."""
    return f"branch/{numbers.page_name(branch_id)}"


@contextmanager
def branches_drawn(edition: Edition, branch_ids: Sequence[str], setting: Setting) -> Iterator[Iterator[Page]]:
    """The pages of branches, in their order. Where they are many, processes draw them as long as the context lasts.

    What fails in a process is raised here, with its traceback there.
    """
    if not branch_ids:
        yield iter(())
        return
    chain = chain_of(edition)
    own = edition.by_branch(name for name in branch.READS if name not in _OF_FINDINGS)
    batches = (
        _Batch(tuple((branch_id, own(branch_id)) for branch_id in branch_ids[at : at + _AT_ONCE]), chain, setting)
        for at in range(0, len(branch_ids), _AT_ONCE)
    )
    if not chain.is_large:  # until others have started, this process is done
        yield (page for batch in batches for page in _draw(batch))
        return
    # Started anew, as the libraries' threads would not come along with a fork.
    n_processes = min(MOST_PROCESSES, os.cpu_count() or 1)
    begun = ProcessPoolExecutor(n_processes, get_context("spawn"), initializer=_end_with_parent)
    with _one_thread_each(), begun as pool:
        try:
            yield (page for pages in pool.map(_draw, batches) for page in pages)
        finally:
            pool.shutdown(cancel_futures=True)


def _draw(batch: _Batch) -> list[Page]:
    return [_page(edition, branch_id, batch) for branch_id, edition in batch.editions]


def _page(edition: Edition, branch_id: str, batch: _Batch) -> Page:
    path = path_of(branch_id)
    with written_in(edition.locale):
        context = branch.build(edition, branch_id, batch.chain)
        html = render("branch.html", context, chain_name=edition.chain_name, setting=batch.setting, here=path)
    return path, html


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let Polars compute by one thread in processes started meanwhile: rows of a branch are few, and threads wait."""
    before = os.environ.get(_THREADS)
    os.environ[_THREADS] = "1"
    try:
        yield
    finally:
        del os.environ[_THREADS]
        os.environ.update({} if before is None else {_THREADS: before})


def _end_with_parent() -> None:
    """Let a process that draws end when the night does, also where that is killed."""
    parent = parent_process()
    assert parent is not None  # noqa: S101 - it is started by one

    def watch() -> None:
        parent.join()
        os._exit(1)

    Thread(target=watch, daemon=True).start()
