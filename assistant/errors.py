"""Every error that Leafcall raises on purpose.

LeafcallError                    base: one sentence: the value, what is allowed, what to do next
 ├─ LengthError                  a length that cannot be read, or is out of range (also ValueError)
 ├─ GrammarError                 a grammar folder that cannot be used
 ├─ JobError                     a job file that cannot be used
 ├─ LearnedError                 learned values cannot be read, written or taught
 ├─ AudioError                   a sound file or device that cannot be used
 │   └─ MicrophoneError          no microphone, no PortAudio
 ├─ RecognizerError              a recogniser or a model that cannot be used
 ├─ SpeakerError                 no voice to speak with
 ├─ SettingsError                numbers that a part cannot be set to (also ValueError)
 ├─ InstallationError            a file or package that belongs to Leafcall is missing
 ├─ TerminalError                the terminal cannot do what is asked, like single keys
 ├─ FolderError                  a folder cannot take what is to be written
 ├─ SheetError                   a build sheet that cannot be written or read
 └─ LogError                     a session log that cannot be read or written
     ├─ LogDamaged               a line before the last one is not a whole event
     └─ LogInUse                 another session writes this log

A call that makes no sense now is refused by ``bench.reply_terms.CommandNotAllowed``, which is a
LeafcallError too: it carries the reply.

Exit codes of the command line: 0 done, 1 failed (any of the above), 2 wrong usage.
"""


class LeafcallError(Exception):
    """Base of all; ``except LeafcallError`` catches whatever Leafcall raises on purpose."""


class LengthError(LeafcallError, ValueError):
    """A length that cannot be read, is not on the grid, or is out of range."""


class GrammarError(LeafcallError):
    """A grammar folder that cannot be used: file, place and reason are in the text."""


class JobError(LeafcallError):
    """A job file that cannot be used: line, value and what is allowed are in the text."""


class LearnedError(LeafcallError):
    """Learned values cannot be read, written or taught."""


class AudioError(LeafcallError):
    """A sound file or device that cannot be used."""


class MicrophoneError(AudioError):
    """There is no microphone, or no PortAudio to reach it with."""


class RecognizerError(LeafcallError):
    """A recogniser or model that cannot be used."""


class SpeakerError(LeafcallError):
    """There is no voice to speak with."""


class SettingsError(LeafcallError, ValueError):
    """Numbers that a part cannot be set to: the value and what is allowed are in the text."""


class InstallationError(LeafcallError):
    """A file or package that belongs to Leafcall is missing: what to install is in the text."""


class TerminalError(LeafcallError):
    """The terminal cannot do what is asked, like single keys where input is a pipe."""


class FolderError(LeafcallError):
    """A folder cannot take what is to be written."""


class SheetError(LeafcallError):
    """A build sheet that cannot be written or read."""


class LogError(LeafcallError):
    """A session log that cannot be read or written."""


class LogDamaged(LogError):
    """A line before the last one of a log is not a whole event."""


class LogInUse(LogError):
    """Another session is writing this log."""
