"""A session as one page that can be handed on: the answer on top, below it everything that it rests on.

    content     what the page is made of            markup      text that is HTML, and text that is not
    page        the page from top to bottom         style       its looks
    answer      the first sentences                 tables      comparison, condition by condition
    findings    why it is so, and what to beware of method      how it was measured, how to do it again
    drawing     from a figure to a piece of SVG     comparison_plots, voltage_plots, trial_plots
    thinning    fewer points, every peak kept
    redacting   what a published page leaves out    packing     page and tables in one file with checksums

Pure: takes records, gives text and bytes. Knows no file, no store, no clock and no network; neither does the page.
"""
