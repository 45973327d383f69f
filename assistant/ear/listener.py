"""The one loop from sound to what was heard, the same for microphone and file.

source -> speech detector -> endpointer -> recogniser. The recogniser is fed while the speech goes
on, so that its answer is there right after the end. Effects only through ports.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from assistant.ear.call_confidence import Judge
from assistant.ear.endpointer import Decision, Endpointer, Patience, Turn
from assistant.ear.levels import QUIETEST_DB, to_db
from assistant.ear.ports import AudioSource, Recognizer, SpeechDetector, Standing, Standings
from assistant.ear.utterance import (
    FRAME_S,
    SAMPLE_RATE_HZ,
    Heard,
    Samples,
    Utterance,
)

_SLOWEST_WORD_S = 1.2  # nobody drags a word so long; a machine that sounds like a word does
_TAIL_S = 0.2  # room after the last word of a file that stops short
_JOIN_S = 6.0  # so long after a sentence that was broken off may its rest still come
_JOINT_S = 0.15  # quiet put between the two
# A pause may seem to begin before a word has faded out: what is not whole is looked at again.
_LOOK_EVERY, _LAST_LOOK = 12, 36  # frames
_LEVEL_MEMORY = 0.9  # of the level meter, a frame
_LONGEST_CALL_S = 9.0  # whoever speaks longer is not calling
# So long, s, and with less evidence than this, speech is surely none of ours. Of 65 sample calls in
# shop noise down to -5 dB one in a hundred lies below -0.2, one in thirty below -0.1; of a person
# reading aloud nine in ten stretches lie below -0.26. Shorter speech may be the begin of a call.
_FOREIGN = ((4.0, -0.12), (1.5, -0.25))
_CALLS = (Standing.MAY_GO_ON, Standing.WHOLE)  # worth an answer made ahead
_MOST_AGAIN_S = 12.0  # of sound decoded again for one utterance: pauses of talk have no end


class Listener:
    """Listens to one source and says what was heard.

    standings: knows how far words are towards a call that would be taken, and so how long a pause
    must be to end the utterance; None: no words are a call, all pauses are long.
    judge: gives what was heard the score that counts; None: the recogniser's own.
    patience: settings of the endpointer.
    ahead: in a pause the answer is made before the end is decided, and made anew if speech goes on:
    for recognisers that are quick and whose words so far lag behind the sound.

    ``calls()`` is a generator: while the caller works on a call, nothing is read. Afterwards
    ``skip_waiting()`` drops what a microphone has gathered meanwhile (the assistant's own voice);
    a file loses nothing.

    What follows shortly after a sentence that was broken off is heard once more together with it
    ("fifteen" ... "goes").

    Speech that is too long for a call, or that a look in a pause found to be surely foreign, is
    given up: no more of it is decoded, it scores 0 and ends at the next breath. Looks that decode
    anew are counted. So the work on a radio or a talker is bounded, and a call after a breath
    begins afresh.
    """

    def __init__(
        self,
        source: AudioSource,
        detector: SpeechDetector,
        recognizer: Recognizer,
        standings: Standings | None = None,
        *,
        judge: Judge | None = None,
        patience: Patience | None = None,
        ahead: bool = False,
    ) -> None:
        self._source = source
        self._detector = detector
        self._recognizer = recognizer
        self._standings = standings
        self._judge = judge
        self._endpointer = Endpointer(patience)
        self._look_ahead = ahead
        self._ahead: tuple[Heard, int] | None = None  # made in a pause, and when (frames)
        self._looked: Standing | None = None  # found in the pause under way
        self._next_look = 0  # frames of the pause
        self._pre_roll = round(self._endpointer.patience.pre_roll_s / FRAME_S)
        room = round(self._endpointer.patience.longest_s / FRAME_S) + self._pre_roll
        self._sound: deque[Samples] = deque(maxlen=room + 1)
        self._given_up: Heard | None = None  # the speech under way is no call; what it began with
        self._again_s = 0.0  # decoded from the begin for the speech under way
        self._begun = 0  # first frame of the utterance under way
        self._free_from = 0  # frames before this one belong to an earlier utterance
        self._left: tuple[Utterance, Samples] | None = None  # a sentence that was broken off
        self._level_db = QUIETEST_DB

    @property
    def stream_s(self) -> float:
        """Seconds of sound that have come in since the start of the stream."""
        return self._endpointer.frames_seen * FRAME_S

    @property
    def in_speech(self) -> bool:
        """Whether somebody is speaking right now."""
        return self._endpointer.in_speech

    @property
    def level_db(self) -> float:
        """Level of the sound, dB of full scale, smoothed over about 0.1 s."""
        return self._level_db

    def skip_waiting(self) -> float:
        """Drop the sound that has gathered while nobody listened; seconds of it."""
        skipped_s = self._source.drop_waiting()
        self._forget(skipped=round(skipped_s / FRAME_S))
        return skipped_s

    def drop_what_was_left(self) -> None:
        """Join nothing to the sentence that was broken off last."""
        self._left = None

    def calls(self) -> Iterator[tuple[Utterance, Heard]]:
        """What was said, utterance by utterance, until the source ends.

        Noise alone yields nothing. Raises AudioError, RecognizerError.
        """
        for frame in self._source.frames():
            call = self.take(frame)
            if call is not None:
                yield call
        call = self.finish()
        if call is not None:
            yield call

    def take(self, frame: Samples, *, deaf: bool = False) -> tuple[Utterance, Heard] | None:
        """One frame of the source; the call that ends with it, if one does.

        For a loop that has more to do than to listen; others use ``calls``. deaf: the frame passes
        unheard, and speech under way is dropped.
        """
        power = float(np.mean(np.square(frame, dtype=np.float64)))
        memory = _LEVEL_MEMORY if self._endpointer.frames_seen else 0.0
        self._level_db = memory * self._level_db + (1 - memory) * to_db(power)
        probability = self._detector.speech(frame)
        if deaf:
            self._forget(skipped=1)
            return None
        self._sound.append(frame)
        if self._endpointer.in_speech and self._ahead is None and self._given_up is None:
            self._recognizer.feed(frame)
        decision = self._endpointer.step(probability, self._standing)
        if decision is None:
            if self._endpointer.in_speech and self._given_up is None and self._is_too_long():
                self._give_up(self._final())
            if not self._endpointer.pause:  # speech goes on
                self._looked = None
                if self._ahead is not None:
                    self._hear_from_begin()
            return None
        if decision.turn is Turn.STARTED:
            self._begin(decision)
            return None
        return self._end(decision)

    def _begin(self, decision: Decision) -> None:
        self._begun = max(decision.first - self._pre_roll, self._free_from)
        self._looked = None
        self._given_up = None
        self._again_s = 0.0
        self._hear_from_begin()

    def _is_too_long(self) -> bool:
        first = self._endpointer.so_far().first
        return (self._endpointer.frames_seen - first) * FRAME_S > _LONGEST_CALL_S

    def _give_up(self, heard: Heard) -> None:
        self._given_up = replace(heard, score=0.0, evidence=None, final_s=0.0)
        self._ahead = None

    def _hear_from_begin(self) -> None:
        self._ahead = None
        self._recognizer.begin()
        sound = self._since(self._begun)
        self._recognizer.feed(sound)
        self._again_s += len(sound) / SAMPLE_RATE_HZ

    def _final(self) -> Heard:
        """What was heard; without computing where it was made ahead."""
        if self._given_up is not None:
            return self._given_up
        if self._ahead is None:
            return self._recognizer.end()
        heard, made = self._ahead
        self._ahead = None
        since_s = (self._endpointer.frames_seen - made) * FRAME_S
        return replace(heard, final_s=max(0.0, heard.final_s - since_s))

    def _end(self, decision: Decision) -> tuple[Utterance, Heard] | None:
        self._free_from = decision.last + 1
        if decision.turn is Turn.DROPPED:
            self._ahead = None
            return None
        heard = self._final()
        utterance = self._utterance(decision)
        sound = self._since(self._begun)
        utterance, heard, sound = self._with_what_was_left(
            utterance, self._judged(utterance, heard), sound
        )
        begun = heard.words and self._standing_of(heard.words) is Standing.OPEN
        self._left = (utterance, sound) if begun and self._given_up is None else None
        if self._judge is not None:
            self._judge.learn(utterance, heard)
        return utterance, heard

    def _utterance(self, decision: Decision) -> Utterance:
        return Utterance(
            start_s=decision.first * FRAME_S,
            end_s=(decision.last + 1) * FRAME_S,
            decided_s=decision.decided * FRAME_S,
            speech_share=decision.speech_share,
            samples=self._since(self._begun),
        )

    def _with_what_was_left(
        self, utterance: Utterance, heard: Heard, sound: Samples
    ) -> tuple[Utterance, Heard, Samples]:
        """The utterance as the end of the one before, if the two together are a sentence.

        Also where its words could stand alone: "twenty" ... "four goes" is twenty four.
        """
        if self._left is None or utterance.start_s - self._left[0].end_s > _JOIN_S:
            return utterance, heard, sound
        before, sound_before = self._left
        spoken_s = before.end_s - before.start_s + utterance.end_s - utterance.start_s
        if self._given_up is not None or spoken_s > _LONGEST_CALL_S:
            return utterance, heard, sound
        joined = np.concatenate([sound_before, np.zeros(round(_JOINT_S * SAMPLE_RATE_HZ)), sound])
        joined = joined.astype(np.float32)
        self._recognizer.begin()
        self._recognizer.feed(joined)
        # Judged as if the pause between the parts had not been.
        close = utterance.start_s - (before.end_s - before.start_s) - _JOINT_S
        speech_share = (before.speech_share + utterance.speech_share) / 2
        samples = np.concatenate([before.samples, utterance.samples])
        whole = replace(utterance, start_s=close, speech_share=speech_share, samples=samples)
        together = self._judged(whole, self._recognizer.end())
        final_s = heard.final_s + together.compute_s
        unfinished = self._standing_of(together.words) in (Standing.NONE, Standing.OPEN)
        if together.score < together.sure_from or unfinished:
            return utterance, replace(heard, final_s=final_s), sound
        whole = replace(whole, start_s=before.start_s, rest_s=utterance.start_s)
        return whole, replace(together, final_s=final_s), joined

    def _judged(self, utterance: Utterance, heard: Heard) -> Heard:
        judged = heard if self._judge is None else self._judge.score(utterance, heard)
        return _paced(utterance, judged)

    def finish(self) -> tuple[Utterance, Heard] | None:
        """The stream is over, or the builder says so: the call that was under way, if any."""
        decision = self._endpointer.finish()
        if decision is None:
            return None
        if self._ahead is not None:
            self._hear_from_begin()
        if self._given_up is None:
            self._recognizer.feed(np.zeros(round(_TAIL_S * SAMPLE_RATE_HZ), np.float32))
        return self._end(decision)

    def _since(self, first: int) -> Samples:
        """Kept sound from stream frame ``first`` on (empty if it is to come)."""
        skip = max(0, first - (self._endpointer.frames_seen - len(self._sound)))
        wanted = list(self._sound)[skip:]
        return np.concatenate(wanted) if wanted else np.zeros(0, np.float32)

    def _standing(self) -> Standing:
        """Of the words so far; where that means to make the answer ahead, three times at most."""
        if self._given_up is not None:
            return Standing.WHOLE
        if not self._look_ahead:
            return self._standing_of(self._recognizer.words_so_far())
        so_far, pause = self._endpointer.so_far(), self._endpointer.pause
        if self._ahead is None and self._again_s > _MOST_AGAIN_S:
            return Standing.OPEN
        unclear = self._looked not in _CALLS or self._went_on_softly()
        if self._looked is None or (unclear and self._next_look <= pause <= _LAST_LOOK):
            self._next_look = pause + _LOOK_EVERY
            if self._ahead is not None:
                self._hear_from_begin()
            heard = self._recognizer.end()
            if _is_foreign(heard, (so_far.last + 1 - so_far.first) * FRAME_S):
                self._give_up(heard)
                return Standing.WHOLE
            judged = self._judged(self._utterance(so_far), heard)
            self._looked = self._standing_of(heard.words, judged)
            if self._looked in _CALLS:
                self._ahead = heard, self._endpointer.frames_seen
            else:
                self._hear_from_begin()
        return self._looked

    def _went_on_softly(self) -> bool:
        """Whether what may be more of a sentence came after its answer was made ahead."""
        if self._ahead is None or self._looked is not Standing.MAY_GO_ON:
            return False
        return self._endpointer.so_far().last >= self._ahead[1]

    def _standing_of(self, words: tuple[str, ...], heard: Heard | None = None) -> Standing:
        if self._standings is None:
            return Standing.NONE
        return self._standings.standing(words, heard)

    def _forget(self, *, skipped: int = 0) -> None:
        self._endpointer.forget(skipped=skipped)
        self._ahead = None
        self._given_up = None
        self._sound.clear()
        self._free_from = self._endpointer.frames_seen


def _is_foreign(heard: Heard, spoken_s: float) -> bool:
    """Whether so much speech is surely not of the grammar."""
    if heard.evidence is None:
        return False
    margin = heard.evidence.margin
    return any(spoken_s >= least_s and margin < least for least_s, least in _FOREIGN)


def _paced(utterance: Utterance, heard: Heard) -> Heard:
    """What was heard, with no score left if its words would take impossibly long."""
    spoken_s = utterance.end_s - utterance.start_s
    if heard.words and spoken_s > _SLOWEST_WORD_S * len(heard.words):
        return replace(heard, score=0.0)
    return heard
