"""The English that holds sentences together. Nothing here is about leaks; that all stands in rules/.

Every set holds stems as `expert.phrases.words.stem` makes them, or words that stemming leaves alone.
"""

from __future__ import annotations

from expert.phrases.words import stem


def _stems(text: str) -> frozenset[str]:
    return frozenset(stem(word) for word in text.split())


NEGATIONS = _stems(
    "no not never without none nothing nor neither isnt arent wasnt werent doesnt dont didnt hasnt havent "
    "hadnt aint wont couldnt"
)
# These deny as a whole, although "can't see" alone means not known.
NEGATIVE_PHRASES = (
    "can't see any", "cannot see any", "couldn't see any", "don't see any", "didn't see any", "see no", "saw no",
    "no sign of", "no signs of", "no trace of", "no evidence of", "free of", "free from", "can't find any",
    "couldn't find any", "no longer",
)  # fmt: skip
# Besides the knowledge's own words for "not known".
UNKNOWN_PHRASES = (
    "no clue", "not certain", "hard to say", "hard to tell", "don't remember", "can't remember", "can't say",
    "couldn't say", "couldn't tell", "couldn't see", "who knows", "idk", "haven't checked", "haven't looked",
    "didn't check", "didn't look", "never checked", "never looked", "not checked", "can't get to", "cannot get to",
    "can't reach", "cannot reach", "no way to tell", "pass", "skip",
)  # fmt: skip
CONJUNCTIONS = _stems("and but with while whereas although though however plus or so because also except")
# After these a place is where the fluid is ("coming from the vent"); the weak ones may mean other things too.
STRONG_PREPOSITIONS = _stems("from out")
WEAK_PREPOSITIONS = _stems("at around round on by in")
# These lead away from the place that is named: "above the pan" is not the pan.
ELSEWHERE = _stems("near beside above behind below beneath under underneath beyond past ahead toward onto between")
LOOKING = _stems("look looked looking peek glance stare")
SHOWING = _stems(
    "see seen saw show showed showing shown visible find found notice noticed come came coming get getting "
    "appear appeared go going run there theres"
)
YES = _stems("yes y yep yeah yup ja aye affirmative sure correct")
NO = _stems("no n nope nah negative")
APPROVALS = _stems("fine ok okay good alright sound perfect")
BREAKS = _stems("but though although however while whereas except")

# What is said with these is not known to be so.
UNCERTAIN = _stems("maybe perhaps possibly might suspect suspected wonder unsure")
UNCERTAIN_PHRASES = tuple(
    tuple(stem(w) for w in phrase.split())
    for phrase in (
        "could be",
        "may be",
        "can be",
        "could have",
        "might have",
        "not sure",
        "not certain",
        "hard to tell",
    )
)
OPINIONS = _stems("think guess reckon believe assume suppose bet guessing thinking suspect suspected probably likely")
SO_IT_SEEMS = _stems("look seem sound")
# A question begins with one of these.
ASKING = _stems("is are was were do does did can could has have will would should shall may might")
WHETHER = _stems("if whether")
# Before the name of a part these blame it; beside it, those do.
BLAMING = _stems("is be blame blamed diagnosed say said told culprit problem trouble fault cause must")
FAULTY = _stems(
    "bad gone shot blown failed failing fail faulty knackered culprit blame perished goosed kaput duff toast worn torn "
    "cracked split"
)
ONE_OF = _stems("a an one each")
OR = _stems("or nor")
JUST = _stems("just only rather")
EXCEPT = _stems("except bar save")
EXCEPT_PHRASES = (("apart", "from"), ("other", "than"), ("aside", "from"), ("with", "the", "exception", "of"))
EVERYTHING = _stems("all everything everywhere anything anywhere whole lot rest nothing underside else")
IT = _stems("it its this that them those one")
# These may stand inside a phrase without changing it: "lost about a quart", "front seal already replaced".
SOFTENERS = _stems(
    "about roughly approximately quite very really just still already now also some bit pretty rather actually "
    "slightly maybe perhaps probably completely totally then again there always usually mostly"
)

# What goes with these is wished or advised and has not been seen or done: "needs a new modulator".
HYPOTHETICAL = _stems("need want wanted recommend recommended suggest suggested quote quoted plan planning")
HYPOTHETICAL_FIRST = _stems("should shall could would")

# Words that part two places of the same name ("front banjo", "rear banjo"), each with its opposite.
OPPOSITES = {"left": "right", "right": "left", "front": "rear", "rear": "front"}
# Sides as seen from the kerb or by who sits there: left in one country and right in the next.
COUNTRY_SIDES = _stems("driver passenger near off kerb curb")
COUNTRY_SIDE_WORDS = _stems("nearside offside kerbside curbside driverside passengerside")
UNSAID_SIDE = "left-or-right"
# As OPPOSITES, with the words for the same side and for both at once.
SIDES = {"left": ("left",), "right": ("right",), "front": ("front",), "rear": ("rear", "back"),
         "back": ("back", "rear"), "side": ("left", "right")}  # fmt: skip
BOTH = _stems("both neither all")
NOT_ALL = _stems("one other others some")
# Before these "right" is no side: "right where the tube goes in", "right below".
AFTER_EXACTLY_RIGHT = _stems(
    "where at under below behind beside by on above after before near next there here now away"
)

FILLERS = _stems(
    "the a an is are was were be been being am it its itself this that these those there theres here he she "
    "they we i you my your our their his her me us them very quite really just some any all both each every "
    "of to into for as too still now then already only about have has had ive weve do does did will "
    "would can could should may might must seem seemed appear appeared think guess reckon believe say said "
    "see seen saw show showed showing shown visible find found notice noticed noticeable get got getting "
    "gotten come came coming go goes going gone went bit lot little much more most less pretty rather kind "
    "sort like maybe perhaps probably likely hello hi hey please thanks thank well actually basically "
    "definitely clearly obviously completely totally absolutely heavily car truck van vehicle badly bad again "
    "ever yet area region spot place point part thing stuff roughly approximately approx sign trace evidence "
    "whole overall what which who when where if id im hes shes theyre youre thats one twice once time longer "
    "anymore today yesterday exactly mostly mainly somewhat certain certainly simply even up down "
    "away off over through along per another everywhere right answer value option number itll than least how "
    "why lots mate folks guys"
) - _stems("right")
# These may stand in a phrase or be left out of it, whoever wrote it.
SKIPPED = SOFTENERS | _stems(
    "it its itself this that these those there theres he she they we i ive you me us them of to into for as too so "
    "very much get got gotten getting look looked looking seem seemed car truck van vehicle mate folks guys"
)
# What a phrase may be shortened by: not "also wet at" to "wet at".
NEEDLESS = SKIPPED - _stems(
    "too so much also again still already always usually mostly now just totally completely probably maybe"
)
# Articles and the like are left out of phrases and of the text alike: "rear of the engine" is "rear engine",
# "fluid is low" is "fluid low".
DROPPED = _stems(
    "the a an of my its his her our your their this that these those is are was were be been being am has "
    "have had do does did"
)

# Known words that say nothing here. They are reported as not understood, yet never taken for typing errors.
PLAIN = _stems(
    "about above across after against almost alone although among angle anyone anything anyway apart arrived "
    "asked away back backed base bear became become before began begin behind below beside best better beyond "
    "bigger boot bought break bring brought build built buying called came care carry case cause caused "
    "change charge cheap cheaper check checked chose city class clear client close closed coast cold come "
    "comes common complete cost could couple course cover cross current customer date daily deal decided deep "
    "described different direct directly door double down drew drive driven driver drop drove during each "
    "earlier early easily east easy edge eight either else empty enough entire even evening event every "
    "everyone everything example expect expensive explain extra face fact factory fail family fast feel felt "
    "field fifth fill final finally fire first five floor follow force forget form forward four free friend "
    "full garage gave gear give given glad good grade great green ground grow guess half hand happen hard "
    "head hear heard heart heat heavy held help high higher hold hole home hope hour house however huge "
    "hundred idea imagine important improve inch include inside instead into issue item join keep kept kick "
    "kind knew know known land large last late later lead leaf lean leaned leaning learn learned learning "
    "least leave left length less letter level life lift light line listen live load local lock locked long "
    "longer look loose lose lost loud love low lower luck machine made main make manual many mark material "
    "matter mean means measure mechanic meet mention mess metal middle might mile mind mine minor minute "
    "mirror miss modern moment money month morning motor mount move moved near nearly need neighbour never "
    "next nice night nine noise normal north note number often open opened order other owner pack page paid "
    "paint paper park part pass past path people person photo pick picture piece place plan plane plate play "
    "point poor power present press price private problem project proper properly pull pulled pump purchase "
    "push quality question quick quickly quiet quote rail raise range rate reach read ready real reason "
    "recent recently record red remain remove removed rent repair replace report rest result ride ring road "
    "roll room rough round rule running same save scale school screw seat second seem sell send sense serious "
    "service seven several shade shape share sharp ship shop short show side simple since single site size "
    "slow slowly small soft solid sold someone something sometimes soon sound source south space spare speak "
    "special speed spend split spread spring stand start started state stay steady steep step stick still "
    "stock stone stop store story straight strange street strong stuck such suggest summer suppose sure "
    "surface suspect sweet switch system table take talk tank teach tell test than thank their theory thick "
    "thin third though thought thousand three throw tight till tire tired today together told tomorrow tool "
    "touch town track trade trail train travel tried truck true trust turn twenty type tyre under unit until "
    "upper used usual usually vehicle version wait walk wall want warm warmer watch water week weekend weeks "
    "weigh weight west wheel when where whether white whole wide wind window winter wire wish woman wonder "
    "wood word work world worry worse worst worth would write wrong year young"
)
