"""One live rinse: meter thread, store, core, frozen snapshot. The screen stands outside."""
