"""Tool tips of the widgets that do not bring one of their own: what it is for, when one needs it, which unit.

Those of actions stand in the tables of actions, those of columns with the models of the tables.
"""

from __future__ import annotations

from PySide6.QtWidgets import QWidget

# by the object's name; in a dialog by the name of the dialog, a point, and the object's name
_TIPS = {
    "warningsTable": "What was found wrong with the samples when they were read. Enter or a double click goes there",
    "notesTable": "What you wrote down. Enter or a double click goes to its time; F2 on the text changes it",
    "noteText": "Words about what is in the middle of the view; Enter keeps them with that time",
    "noteAdd": "Keep the words on the left as a note at the middle of the view",
    "noteRemove": "Take the selected note out of the session; Undo brings it back",
    "comparisonSummary": "How many flips you and the decoder agree on, and by how much the times differ (median and spread)",
    "comparisonList": "Which flips are listed: to mend a decode those missed or extra are enough",
    "comparisonTable": "Each flip set by hand or by the decoder. Enter or a double click shows it in the trace",
    "pictureKinds": "What to look at: each picture answers another question about the signal; arrows choose",
    "pictureChoice": "How this picture is made",
    "pictureNote": "What went into the picture and what was left out",
    "sentence": "What the newest decode of this channel found; the reasons come here with it",
    "decodeHere": "Find every burst of this channel and its bits; nothing has to be told in advance (Ctrl+D)",
    "bitsOfBurst": "Bits of the selected burst in eights; those you changed are bold and underlined. Select and copy them",
    "burstsTable": "One row for each burst. Select one to see its trace, Enter or a double click to fit it to the view",
    "pinsTable": "Readings as they were when you pinned them; F2 on the name changes it, Ctrl+Shift+L takes one out",
    "readingsTable": "What the cursors and the span measure now. Enter or a double click pins a reading",
    "channelsTable": "The channels of this capture; the check mark says whether one is drawn",
    "mouseHint": "What the mouse does where it points now, or what to do next",
    "visibleRange": "From when to when the view reaches, on the capture's own time axis",
    "workTitle": "What is being done; the window stays usable meanwhile",
    "checkWords": "What came of decoding again from the session's own samples and settings",
    "checkButton": "Decode everything in the session again and compare, to be sure of it before handing it on",
    "checksTable": "Each burst decoded again beside what the session holds. Enter or a double click shows it",
    "welcomeOpen": "Choose what your oscilloscope wrote, or a session: text, WAV, NumPy, MATLAB, HDF5, raw and more (Ctrl+O)",
    "welcomeDemo": "Try everything on a made-up line of greenhouse motors and sensors",
    "captureChoice": "Which capture of the session is looked at (Ctrl+PgUp and Ctrl+PgDown)",
    "channelChoice": "Which channel is measured and decoded; others can be drawn beside it (panel Channels)",
    "CaptureDetailsDialog.label": "What was done on the line at the time: it tells captures apart when frames are compared",
    "CaptureDetailsDialog.timebase": "From the instrument's data sheet, in parts per million. It goes into the "
    "uncertainty of every time and frequency; while it is empty, absolute numbers are not judged",
    "CaptureDetailsDialog.gain": "From the instrument's data sheet, in percent of the reading; combined with every amplitude",
    "DecodeSettingsDialog.modulation": "How the line signals, if you know it; else it is decided from the samples",
    "DecodeSettingsDialog.lineCode": "How symbols become bits: plain takes each as it is, differential takes changes",
    "DecodeSettingsDialog.polarity": "Which symbol is 1; inverted turns every bit over",
    "DerivedChannelDialog.expression": "Channels with + - * / and functions: A - B, lowpass(A, 20k) in hertz",
    "ChannelMeaningDialog.factor": "Probe or shunt: 10 for a probe that divides by ten, 1/R in A/V for a shunt of R ohms",
    "ChannelMeaningDialog.shift": "Added after the factor, in the unit below, where zero is not zero",
    "ChannelMeaningDialog.unit": "What the numbers are then: V, A or another unit",
    "PairDialog.first": "The channel whose gain and timing are taken as right",
    "PairDialog.second": "The channel that is matched to it in gain and delay, so that what both share cancels",
    "ShareDialog.spans": "Which stretches of time go into the copy",
    "ShareDialog.channels": "Which channels go into the copy; each takes as much room as another",
    "ShareDialog.others": "Whether the session's other captures go along as they are",
    "ShareDialog.size": "About how large the file will be",
    "ReadOptionsDialog.dtype": "How one raw sample is stored: i signed, u unsigned, f floating, with its bytes",
    "ReadOptionsDialog.channels": "How many channels the raw samples hold",
    "ReadOptionsDialog.skip": "Length of the header before the first sample, in bytes",
    "ReadOptionsDialog.order": "Whether samples of the channels take turns, or one channel follows another",
    "ReadOptionsDialog.offset": "Value of a stored zero, in the unit below, after scaling",
    "ReadOptionsDialog.unit": "What the values are: V, A or another unit",
    "figureAllReadings": "Tick every reading for the figure, or none",
    "figureSave": "Write the figure to a file you name next",
    "figureClose": "Go back without writing a file",
    "figureTold": "What to know about the figure as it will be",
    "textWindow.text": "Text to read; it can be selected and copied",
}
_OF_MENUS = {
    "File": "Open captures and sessions, save, hand results on",
    "Edit": "Undo and redo every change, copy and delete what is selected",
    "View": "What is in view and how it is drawn, what the mouse does, which panels are shown",
    "Marks": "Cursors, flips, spans, the symbol grid and notes, and what they snap to",
    "Readings": "Keep, copy and export what the cursors and the span measure",
    "Decode": "Turn the capture or a span of it into bits, and say what is known of the signal",
    "Bursts": "Go from burst to burst, name them, leave them out, decode one again, correct its bits",
    "Help": "Keys, cautions, finding an action by a word",
    "Open recent": "Captures and sessions that were open before",
    "Hand on": "A report, data, a smaller copy, a check of the whole session for somebody else",
    "Mouse tool": "What a drag or a click in the trace does; the keyboard does the same without it",
    "Go to": "Give the keyboard to one part of the window",
    "Value axes": "One axis for channels of a unit, one for each channel, or all over one another",
    "Appearance": "Light or dark colours",
    "Panels": "Which panels are shown; each can be moved, floated and hidden, and comes back where it was",
    "Symbol grid": "A ruler of equal symbols to lay over the trace and hold against the flips",
    "Snap to": "What cursors and flips jump to when placed or dragged; Alt held while dragging sets it aside",
    "Remove cursor": "Take one cursor away; Undo brings it back",
    "Go to kept span": "Show a span that was kept under a name",
    "Remove kept span": "Take a kept span out of the session; Undo brings it back",
    "Channel": "Which channel is measured and decoded",
}
_OF_BUTTONS = {
    "OK": "Take what the fields say",
    "Cancel": "Go back and change nothing",
    "Close": "Close this window and go on",
}


def give_tips(top: QWidget) -> None:
    """Give tool tips to what stands in a window or dialog and has none."""
    of = top.objectName()
    for widget in top.findChildren(QWidget):
        if widget.toolTip():
            continue
        name = widget.objectName()
        tip = _TIPS.get(f"{of}.{name}") or _TIPS.get(name)
        if tip:
            widget.setToolTip(tip)


def button_tip(text: str) -> str:
    """Of a dialog's own buttons, by what stands on them."""
    return _OF_BUTTONS.get(text.replace("&", ""), "")


def menu_tip(text: str) -> str:
    """Of a menu, by its title."""
    return _OF_MENUS[text]
