"""Many aliased pairs of one kind share a sentence; a few get one each."""

from thermcmp.model.identifiability import FEW, Contrast, alias_sentences


def pairs(count, **given):
    return [
        Contrast("cooler_model", f"C{i}", f"C{i + 1}", ("board_model",), **given)
        for i in range(count)
    ]


def test_a_few_pairs_are_told_one_by_one():
    told = alias_sentences(pairs(FEW, cure="test board B1"))
    assert len(told) == FEW
    assert all("cannot be separated from board" in sentence for sentence in told)


def test_many_pairs_of_one_kind_share_a_sentence_with_a_first_swap():
    other = Contrast("memory_vendor", "Quill", "Sable", ("board_model",))
    fine = Contrast("assembly_kind", "bench", "factory")
    told = alias_sentences([*pairs(FEW + 1, cure="test board B1"), other, fine])
    assert len(told) == 2
    assert told[0].startswith(f"{FEW + 1} pairs of levels of cooler cannot be separated")
    assert told[0].endswith("A first swap: test board B1.")
    assert "Memory vendor: Sable against Quill" in told[1]
