"""Colour-consistency log analyser for studio flash.

The flow is the layout: raw frames -> raw -> measure -> session -> compare -> planning -> mix -> correct -> sentences
-> pages -> results -> live. A room imports only rooms above it here, files of one room never import each other in a
circle, and the ground files serve every room. ``demo`` stands on the ground files and ``session`` alone, so that it is
no echo of what it tests. The contract in pyproject.toml holds all of this. ``api`` is the door for programs and for the
commands.

ground:
    __main__        The ``greystep`` command as a process of its own
    api             The one door for programs and notebooks: open a session and ask it
    arrays          The types of arrays, and the robust statistics that more than one room uses
    colour_library  The door to colour-science, whose import takes a second
    columns         The columns of every table: their names, order and units, as typed rows
    constants       Every figure that comes from a document, with its unit and its source; after them those of this
    dng_writer      Raw frames as DNG files: tifffile writes the image, the Exif part is put together here
    documents       What files hold
    doors           The two doors for what a person gives
    errors          What stops a run
    files           Results are written whole or not at all, each through a temporary file and one rename
    flags           What may be doubtful about a frame
    generation      One generation of results: files that one run writes together, so that parts of two runs never pass
    terms           The closed sets of names that tables and files carry
    words           Numbers as they are said
raw:
    blocks          A whole raw frame thinned to small blocks
    containers      Where the formats that exifread does not know keep what the camera wrote, found and handed over
    curves          Curves that a DNG asks for before its counts are linear light
    dng             A DNG by its own tags
    exposure        What the camera wrote about a frame's exposure, and the exact thirds of a stop behind its markings
    frame           A raw frame
    guard           What foreign files and their decoders may do
    levels          What a DNG's tags say of its raw values
    library         LibRaw, opened so that it guesses nothing and writes nothing on the terminal
    overview        A whole frame as a small linear picture
    picture_heads   What a picture in a tile or strip says of itself, before room is made for its pixels
    preview         The small picture that a camera puts into its raw files
    raster          How the raw image of a DNG lies in its file, and any box of what is stored there
    tags            The tags of one directory of a DNG
measure:
    calibration     A camera's matrix from a frame of a 24-patch colour chart, with what it leaves unexplained
    camera          From a camera's neutral to the colour of the light
    camera_json     A camera's calibration as a ``camera.json``
    chart           A 24-patch colour chart in a frame
    chromaticity    Chromaticity of a white
    clear_target    The grey target in one frame alone, where nothing else in it could be the target
    damage          Damage of a patch's pixels
    filter_colours  The pixels of each filter colour of a patch, and what is measured of them
    light_surface   The light's smooth surface over a patch
    locus           The Planckian locus
    patch           The signal of one frame's patch
    reading         One frame measured
    target          The grey target
    target_corners  Corners of the target: the little of a large frame that tells that its target stands in place
    target_moved    What lies about the grey target
    uncertainty     The law of propagation of uncertainty, and the factor that makes a 95 % interval of a standard
session:
    alignment       Frames aligned with the rows of a log by the light in them
    ambient         Room light and black level taken off each frame's patch, with what that leaves uncertain
    arrived         One frame of a shoot as it came
    bodies          One camera body in one session
    cache           What was measured in raw files, kept between runs in ``.greystep``; an entry that cannot be read
    cache_folder    The folder ``.greystep`` in which a session keeps what was measured
    cards           Whether a frame shows the grey card
    colour          The colour of each frame's light through its body's one matrix, and what of it is doubtful
    conductor       Frames placed on the rows of a plan as they come
    costs           What it costs to hold frames against rows of a log
    csvfile         A spreadsheet's save as rows of text cells, whatever encoding and separator the spreadsheet chose
    entries         What the cache keeps of a frame, as JSON and back
    faults          Frame against frame
    free_shoot      Shooting without a plan
    flash_light     The light of the flash in each frame
    file_names      What folders and files are named says head, power and kind of a frame
    ingest          The log joined with what was measured
    log_columns     The columns of a log as people name them
    log_slips       Where a log and its frames slipped, as far as exposure data tell
    matching        Frames placed on the rows of a log that names none
    measured        The raw files of one session while it is read
    messages        What there is to say of a session and its frames
    notices         What ends the wait between two looks at a folder
    part            A part of a capture folder
    pictures        Small pictures of frames for the pages, made once and kept beside the readings as they will be
    places          Whether the grey target stands in its place in each frame, and which frames must be read further to
    placing_events  What happened with a frame of a shoot
    plan_lights     What the rows of a plan ask for, as far as a frame's light can tell it
    power           The power a head was set to, as people write it
    raw_files       The raw files of a session and their order of capture; the folder is only read
    readings        The readings table
    reference       Which light is meant by a reference
    reflectance     The reflectance of the grey target, from a table of its own
    repeats         Repeats of a light, and how they scatter
    runs            Runs from rest
    settings        A session
    shoot           A plan that is being shot
    shot_log        The log of what was shot
    shots           The log of a session
    spreadsheet_dates  Dates that a spreadsheet made of typed powers, put back where they can only have been one power
    switched        When room light changed between two flash-off frames
    toml_file       session.toml as text, tables and checked values
    warm_ups        Warm-up flashes fired through the camera
    watch           Frames as they arrive: when there is something new to read, and what is new in it
    workers         Frames worked on with all cores: in threads, and in processes of their own where a decoder may crash
compare:
    actions         What to do next: what goes back, what may stay over which powers, and what to shoot again
    against_others  How a head stands to the others
    anchors         How a light has changed between two sessions, held against what both share
    blocks          What moves between the heads of a test
    budget          What the uncertainties of a session hold and what they leave out
    called          What is called of each head and of the kit
    calipers        The differences that decide, each as its verdict counts it
    cells           The cells of a session, every head at every power, and the frames that they are made of
    cell_doubts     What makes lights less sure than the scatter of their heads
    check_frames    What the check frames of the reference head show of room, mains and camera over the session
    differences     Differences of estimates in every unit they are given in, and how sure they are
    drift           Facts of a session
    findings        What is known of each head
    firing_times    When each flash fired
    fit             Least squares with its covariance, and estimates whose every contrast has the uncertainty of
    head_or_pack    Head or pack: which of the two makes the difference, where heads were moved between packs
    heads           What a test says of each head by itself
    heat            The heat of a head at each of its shots, and whether the test shows colour moving with it
    history         Sessions over time
    iso_steps       Whether a camera's ISO steps are what they are marked
    joint_fit       One joint fit of a session's frames
    levels          How sure each of several looks at a test has to be, so that it is wrong no more often than a test
    limits          The decision rules
    more_rounds     Which lights decide what cannot be called yet, and how many more frames of each that takes
    odd_heads       Which part of a kit is the odd one
    own_drift       How a head moves over its own powers
    powers          What a test says of each head at each power
    reference_light The one value of a reference
    scatter         How frames scatter about a fit
    stopping        When a test that is still being shot knows enough
    verdict         Verdicts on heads, pairs and the kit, and all that a report says of a session
planning:
    cells           The lights of a test
    folder          The planned session as a folder
    order           The order in which a test is shot
    pace            How long a test takes, and that a day holds it
    plans           Tests planned before they are shot
    rig             How the rig is set up for a test
    wanted          What a test takes up beside every head at every power
    wishes          What is asked of a planned test
mix:
    audit           A set-up judged before it is shot
    casts           What clashes in a set-up
    changes         What can be done about a set-up
    choice_document A choice of heads as the object that choose.json holds
    choose          The heads of a test session that go together: in one picture, or ganged as one light
    gels            Correction gels
    lights          Lights on one subject
    measured        A set-up shot light by light and once with all
    options         Everything that can be changed in a set-up with the tested heads, their powers and the gels at hand
    remedies        What would bring the lights of a set-up together
    search          Which heads at which powers go together best
    setup           A set-up of several lights before it is shot
    shutter         What a shutter time does to a set-up
    what_if         A set-up with some of its lights at other powers, beside the set-up as it is
correct:
    alignment       Where the things of one frame lie in another
    check           Rendered frames measured again
    demosaic        A raw frame as a linear image in a working space
    developed       A correction on developed linear images
    dng_copy        A corrected copy of a DNG
    dng_from_raw    A raw frame of another format as a DNG that carries its correction
    exchange        Corrections in files that other programs read
    frame_light     Where the light of each frame is known from
    gains           Per-frame correction values
    images          Linear images as files and back
    jobs            What is to be rendered
    lit_by          What lit a frame
    lit_frames      Lit frames, each with the light that is known of it
    messages        What there is to say of corrections
    overlap         What two frames of one scene share
    plates          Plates of one scene, one for each light, each corrected with its own gains and added as light adds
    profile         The light of a head at a power, from a test session
    record          What was rendered, with which settings: a file of ours is one that this record knows
    references      What frames are brought to, in the terms of one camera body
    render          Corrected frames as files
    shared          The light of job frames without a target, from what they share with one frame of the series that
    trend           The trend of a series: its slow course is kept, what jumps from frame to frame is removed
    unmix           Which of several lights has changed
sentences:
    actions         What to do next, with the cautions where it means handling kit
    budget          What the uncertainties hold and what they leave out, in words
    calibration     A camera's matrix in sentences: where the chart is, under what light, how well the fit explains it
    choices         The heads that go together, in sentences
    corrections     What a person is told of corrections
    figures         What figures show, said for those who do not see them
    frames          What a person is told of frames
    green_pink      Green to pink as the trade says it
    heads           What is said of each head
    history         A history of sessions in sentences
    kit             What is said of a kit
    kit_notes       What limits the answer of a test, and what else it shows
    outputs         What is said of a folder of results whose parts are of two runs
    page_one        What page one of the report says
    remedies        What would bring lights together, in sentences
    session_notes   What the report says of a whole session
    setups          Set-ups in sentences
    shutter         What a shutter and the room do to the lights of a set-up, in sentences
    shoot           What the person at the set is told
    summary         All that a report says of a session, in one typed object
pages:
    at_set          The screen at the set
    audit           The audit of a set-up as one HTML file
    choose          The sets of heads that go together best as one HTML file
    correct         The corrections of a session as one HTML file
    figures         The figures of the report, each drawn from a table of `greystep.pages.tables` as SVG text
    first_page      Page one of the report
    frame_sheet     The frames of a session on the report
    formats         What pages and screen say of the numbers of the tables, in one spelling
    frames_read     How many frames of a session could be used, in words
    head_sections   A section a head, and what a cell of the matrix of heads opens
    history         What a history of sessions says on screen, and its page
    panels          Strips and panels
    report          The report as one HTML file
    screen          What the commands say on screen: plain text as wide as the screen, no colour needed
    setup_figures   Figures of a set-up
    setup_text      What is said on screen of set-ups of lights and of heads that go together
    shot_sheet      The shot sheet of a planned test
    strips          The neutrals of a series side by side, true and magnified
    svg             Drawing as SVG text
    text_table      A table on the screen
    tables          The numbers that the figures draw, a table a figure
results:
    camera          A camera's own colour matrix
    correction      The corrections of a session, its rendered frames and their check
    history         Heads over several sessions
    notebook        What a result shows in a notebook
    plan            A planned test
    report          A session judged by limits
    session         A session whose frames have been read, and what it can be asked
    setups          Lights that go together: a set-up judged, a set-up with other powers, the best choice of heads
live:
    actions         What a person decides during a shoot, on the live page or at the keyboard
    conducting      A watch, step by step
    news            What was told during a shoot
    server          One live page of a shoot, served on this machine
demo:
    dngfile         An invented camera's frames as DNG files, through the writer that corrected copies use too
    kit             The invented kit and how it is shot
    scenario        Invented sessions, written whole
    sensor          What a locked-off camera records of a table-top with a grey card
    spectra         Lights, surfaces and cameras as spectra on one grid, and the true colour of every light
cli:
    app             The ``greystep`` command
    audit           ``greystep audit``: a set-up of several lights, judged before it is shot
    camera          ``greystep camera``: a camera's own colour matrix from a frame of a colour chart
    choose          ``greystep choose``: which heads at which powers go together best
    correct         ``greystep correct``: the values that bring each frame to one reference
    demo            ``greystep demo``: an invented session with raw frames and its true answers
    history         ``greystep history``: heads over several sessions
    ingest          ``greystep ingest``: raw frames to readings.csv
    options         What several commands ask for, and how each ends: arguments, the progress bar, exit status
    plan            ``greystep plan``: a test planned before it is shot, with a shot sheet to print
    render          ``greystep render``
    report          ``greystep report``: drift, differences, verdicts and the page
    watch           ``greystep watch``: each frame as it arrives, and what the log wants next
"""

from greystep.errors import GreystepError

TYPE_CHECKING = False  # nothing is imported before Ctrl-C is seen to, see `greystep.__main__`
if TYPE_CHECKING:
    from greystep.api import calibrate_camera, history, open_session, plan, plan_swap
    from greystep.planning.wishes import Wishes
    from greystep.results.session import Session

__version__ = "0.1.0"
__all__ = ["GreystepError", "Session", "Wishes", "calibrate_camera", "history", "open_session", "plan", "plan_swap"]


def __getattr__(name: str) -> object:
    """Open the door when it is asked for: a command's ``--help`` needs none of what stands behind it."""
    if name in __all__:
        from greystep import api

        return getattr(api, name)
    raise AttributeError(f"module 'greystep' has no attribute {name!r}")
