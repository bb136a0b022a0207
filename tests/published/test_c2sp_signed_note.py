"""Signed notes against the example that the format's own text publishes, key and signature together.

Sources: C2SP signed-note, "Verifier keys", example (commit 5ba5ee8); C2SP tlog-checkpoint, its first example.
"""

import pytest

from station.errors import InputError
from station.record.note import VerifierKey, open_note, parse_checkpoint, signers

KEY = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
NOTE = (
    "This is an example message.\n"
    "\n"
    "— example.com/foo "
    "Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n"
)
SOFA = (
    "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n"
    "— example.com/behind-the-sofa "
    "Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n"
)
"""The example of tlog-checkpoint; its public key is not published with it."""


def test_the_published_note_opens_with_its_key() -> None:
    assert open_note(NOTE, [VerifierKey.parse(KEY)]) == NOTE.partition("\n\n")[0] + "\n"
    assert str(VerifierKey.parse(KEY)) == KEY


@pytest.mark.parametrize("k", [0, 9, 18, 26])
def test_a_changed_letter_is_caught(k: int) -> None:
    changed = NOTE[:k] + chr(ord(NOTE[k]) ^ 1) + NOTE[k + 1 :]
    with pytest.raises(InputError, match=r"signature of example\.com/foo is wrong"):
        open_note(changed, [VerifierKey.parse(KEY)])


def test_a_signature_of_nobody_known_is_no_signature() -> None:
    with pytest.raises(InputError, match="not at hand"):
        open_note(NOTE, [])
    another = VerifierKey("example.com/foo", bytes(32))
    with pytest.raises(InputError, match="not at hand"):
        open_note(NOTE, [another])


def test_unknown_signatures_beside_a_good_one_are_let_be() -> None:
    witness = "— witness.example/w1 " + SOFA.split(" ")[-1]
    assert open_note(NOTE + witness, [VerifierKey.parse(KEY)]).startswith("This is")


def test_the_published_checkpoint_is_read_and_written_the_same() -> None:
    text, signed = signers(SOFA)
    stated = parse_checkpoint(text)
    assert (stated.origin, stated.size) == ("example.com/behind-the-sofa", 20852163)
    assert stated.root.hex().startswith("0ac5186a91863e8e1d90c808014aa89b")
    assert stated.text() == text
    assert signed[0][0] == stated.origin


@pytest.mark.parametrize(
    "text",
    [
        "",
        "origin\n",
        "origin\n012\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n",
        "origin\n-1\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n",
        "origin\n12\nCsUYapGGPo4dkMgIAUqom\n",
        "origin\n12\nnot base64\n",
        "origin\n\n12\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n",
    ],
)
def test_what_is_no_checkpoint_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="checkpoint"):
        parse_checkpoint(text)
