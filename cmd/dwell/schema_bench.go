package main

// This file describes rigs, specimens and instrument profiles.

func rigSchema() schema {
	channels := oneOrMoreOf(textOf("a channel"))
	return keysOf("a rig: the bench, how it is wired, and what must never be exceeded on it",
		key{"!format", formatOf()},
		key{"!rig", textOf("its name")},
		key{"!ambient", keysOf("the room", key{"!temperature", valueOfUnit("of the room", "degC")},
			key{"!cooling", textOf("none, or the lowest temperature that is reached, such as 5 degC")})},
		key{"line frequency", valueOfUnit("of the mains", "Hz")},
		key{"!instruments", entriesOf("what stands on the bench, by name", oneName, instrumentSchema())},
		key{"channels", entriesOf("names for what is measured", channelName, keysOf("where a channel comes from",
			key{"!from", textOf("a channel, such as plate.probe")}, key{"through", textOf("a conversion, such as pt100")},
			key{"thermometer", textOf("its class, such as platinum class B or thermocouple K class 1, or what a calibration has shown, such as within 0.1 K")}))},
		key{"limits", entriesOf("levels that must not be passed, by channel", channelName, limitSchema(anyValue))},
		key{"interlocks", listOf("conditions that must never hold, as in a protocol", interlockSchema(func(about string) schema { return valueOrName(about, "s") }))},
		key{"specimen place", keysOf("where the specimen lies, and which channels speak of it",
			key{"!lies on", textOf("an instrument")}, key{"!moved by", textOf("person, or an instrument")},
			key{"temperature", channels}, key{"resistance", textOf("a channel")}, key{"power", textOf("a channel")},
			key{"current", textOf("a channel")}, key{"voltage", textOf("a channel")})},
		key{"bending", bendingSchema()},
		key{"stop contacts", listOf("contacts that stop a run", contactSchema("a contact"))},
		key{"thermometers disagree", keysOf("how far thermometers at one place may differ",
			key{"by", valueOfUnit("so far", "K")}, key{"of excess", valueOfUnit("and so much of the temperature above the room", "1")},
			key{"lasting", timeOf("for how long")})},
		key{"must act within", timeOf("longest time from a breach to a bench that is safe")},
		key{"notify", oneOrMoreOf(textOf("a program to tell somebody, and its arguments"))},
		key{"twin", sceneSchema()})
}

func contactSchema(about string) schema {
	return keysOf(about, key{"!channel", textOf("a channel that reads a state or a plain number")}, key{"!must read", textOf("what it must read")})
}

// bendingSchema is one of three ways to bend: what it is follows from the key that it has.
func bendingSchema() schema {
	stage := key{"!stage", textOf("the instrument that bends it")}
	homing := key{"!homing", wordsOf("what finding the limit switch does to a strip that is clamped: no harm, or ask", "harmless", "ask")}
	travel := key{"uncertainty of travel", valueOfUnit("standard", "m")}
	return anyOf("how a strip is bent",
		keysOf("a stage buckles it between two ends", stage, key{"!ends", wordsOf("how its ends are held", "clamped", "hinged")},
			key{"!free length", valueOfUnit("between the ends, when it lies flat", "m")},
			key{"!flat at", valueOfUnit("position of the stage at which it lies flat", "m")}, homing, key{"flat seen by", contactSchema("what shows that it lies flat")},
			key{"uncertainty of free length", valueOfUnit("standard", "m")}, travel),
		keysOf("a stage folds it between two parallel plates", stage, key{"!plates apart", valueOfUnit("the gap when they stand open", "m")},
			key{"!open at", valueOfUnit("position of the stage at which they stand open", "m")},
			key{"!free length", valueOfUnit("between the fixings on the two plates", "m")}, homing, travel),
		keysOf("a person lays it round rods", key{"!rods", listOf("their diameters", valueOfUnit("of a rod", "m"))},
			key{"!free length", valueOfUnit("that can lie on a rod", "m")}, key{"uncertainty of rods", valueOfUnit("standard, of a diameter", "m")}))
}

func instrumentSchema() schema {
	return keysOf("one instrument",
		append(lineKeys(),
			key{"!profile", textOf("an instrument profile of dwell's, or the name of a file beside this one")},
			key{"!port", textOf("twin, serial:DEVICE, tcp:HOST:PORT, or a VISA resource string")},
			key{"switches", textOf("the instrument whose mains this one switches")},
			key{"baud", wholeOf("of its serial line", 50, 4_000_000)},
			key{"calibrated", textOf("date, such as 2026-03-14")},
			key{"serial number", textOf("of this very device")},
			key{"heating", heatingSchema()},
			key{"identified", keysOf("how it responds to full power, as measured here", key{"!rise at full power", valueOfUnit("above the room", "K")},
				key{"!time constant", timeOf("of the rise")}, key{"!dead time", timeOf("before it")}, key{"!date", textOf("of the measurement")})},
			key{"longest exchange", keysOf("as measured here", key{"!takes", timeOf("from question to answer")}, key{"!measured on", textOf("date")})})...)
}

func lineKeys() []key {
	return []key{{"data bits", wholeOf("of its serial line", 7, 8)}, {"parity", wordsOf("of its serial line", "none", "even", "odd")},
		{"stop bits", wholeOf("of its serial line", 1, 2)}}
}

func heatingSchema() schema {
	return keysOf("how it heats and cools", key{"rate", valueOfUnit("steady, at full power", "K/min")}, key{"dead time", timeOf("before it begins to warm")},
		key{"approach time constant", timeOf("of the last kelvins")}, key{"cooling time constant", timeOf("towards the room")})
}

func limitSchema(value func(about string) schema) schema {
	return keysOf("a level that must not be passed", key{"below", value("it must stay below this")}, key{"above", value("it must stay above this")},
		key{"lasting", timeOf("it must be passed for so long")})
}

func sceneSchema() schema {
	conductance := func(about string) schema { return valueOfUnit(about, "W/(m2 K)") }
	return keysOf("the virtual bench, where it should differ from the default",
		key{"ambient", valueOfUnit("of the room", "degC")},
		key{"glass thickness", valueOfUnit("of the slide", "m")},
		key{"foil thickness", valueOfUnit("of the specimen's foil", "m")},
		key{"contact conductance", conductance("between plate and slide")},
		key{"top conductance", conductance("from the upper face to the air, on the plate")},
		key{"still air conductance", conductance("over both faces")},
		key{"moving air conductance", conductance("over both faces")},
		key{"cold block conductance", conductance("over both faces")},
		key{"cold block temperature", valueOfUnit("of the block", "degC")},
		key{"contact resistance", valueOfUnit("of each electrode", "Ohm")},
		key{"lead resistance", valueOfUnit("of each lead", "Ohm")},
		key{"gauge factor", valueOfUnit("of the film", "1")},
		key{"check standard", valueOfUnit("a resistor at the source-meter's rear terminals", "Ohm")},
		key{"meter drift per hour", valueOfUnit("what the source-meter takes for a volt, such as 50 ppm", "1")},
		key{"strain play", valueOfUnit("half of the strain by which the resistance, bent and bent back, differs", "1")},
		key{"film cracks after", valueOfUnit("cycles of 1 % of strain", "1")})
}

func specimenSchema() schema {
	layer := keysOf("a layer", key{"!of", textOf("a material; the virtual bench knows glass, polyimide, PET and PEN, and takes any other for PET")}, key{"!thickness", valueOfUnit("of the layer", "m")}, key{"modulus", valueOfUnit("of elasticity", "Pa")},
		key{"uncertainty of thickness", valueOfUnit("standard", "m")}, key{"uncertainty of modulus", valueOfUnit("standard", "Pa")})
	limits := keysOf("what it survives")
	for name, unit := range map[string]string{"temperature": "degC", "power": "W", "current": "A", "voltage": "V", "energy": "J", "strain": "1"} {
		limits["properties"].(schema)[name] = limitSchema(func(about string) schema { return valueOfUnit(about, unit) })
	}
	return keysOf("a specimen: what is under test, and what it must never see",
		key{"!format", formatOf()},
		key{"!specimen", textOf("its id")},
		key{"description", textOf("what it is")},
		key{"!film", keysOf("the film whose resistance is read",
			key{"!resistance", valueOfUnit("expected", "Ohm")}, key{"!at", valueOfUnit("the temperature for that", "degC")},
			key{"!within", valueOfUnit("further away it is another specimen", "1")},
			key{"B value", valueOfUnit("R = R0 exp(B (1/T - 1/T0)), or use temperature coefficient", "K")},
			key{"temperature coefficient", valueOfUnit("R = R0 (1 + a (t - t0)), or use B value", "1/K")},
			key{"width", valueOfUnit("of the film between its electrodes", "m")}, key{"length", valueOfUnit("of the film between its electrodes", "m")},
			key{"thickness", valueOfUnit("of the film", "m")}, key{"modulus", valueOfUnit("of elasticity of the film", "Pa")},
			key{"uncertainty of thickness", valueOfUnit("standard", "m")}, key{"uncertainty of modulus", valueOfUnit("standard", "Pa")})},
		key{"layers", listOf("from below, without the film", layer)},
		key{"film face", wordsOf("where the printed face looks", "up", "down")},
		key{"encapsulation", anyOf("what covers the film", wordsOf("a bare film", "none"), layer)},
		key{"bending", keysOf("how it is bent", key{"!film faces", wordsOf("the outside of the bend, or the inside", "out", "in")},
			key{"!current", wordsOf("along the strip, or across it", "along", "across")},
			key{"!bows", wordsOf("the side to which the strip is nudged", "up", "down")},
			key{"uncertainty of thickness", valueOfUnit("standard, of all layers together", "m")})},
		key{"array", keysOf("its place among the elements of one foil", key{"!foil", textOf("the id of the foil, the same for all of them")},
			key{"!row", wholeOf("counted from 1", 1, 1000)}, key{"!column", wholeOf("counted from 1", 1, 1000)})},
		key{"limits", limits})
}

// Styles of answers.
var (
	questionStyleWords = []string{"value", "list", "value and channel", "echo and value", "report"}
	commandStyleWords  = []string{"none", "echo", "ok", "acknowledged"}
)

func profileSchema() schema {
	words := textOf("words for the instrument, as they are sent")
	takes := keysOf("the instrument's own time for an answer", key{"!typical", timeOf("usually")}, key{"!at most", timeOf("at worst")})
	name := wordsOf("how it answers", "text", "echo and value", "acknowledged", "report")
	like := textOf("its answer, with * for anything")
	return keysOf("an instrument profile: which words a kind of instrument understands",
		key{"!format", formatOf()},
		key{"!profile", textOf("its name")},
		key{"!kind", wordsOf("of instrument", "hotplate", "bath", "source-meter", "thermometer", "lift", "mains-switch", "stage")},
		key{"!dialect", wordsOf("of its words", "scpi", "namur", "gcode")},
		key{"twin", textOf("the part of the virtual bench that answers it")},
		key{"!line", keysOf("its serial line", append(lineKeys(), key{"!baud", wholeOf("characters are ten bits or so", 50, 4_000_000)},
			key{"pause", timeOf("least time between two commands")})...)},
		key{"ends with", textOf("what ends a line that is sent")},
		key{"answers", keysOf("how it answers", key{"to commands", wordsOf("", commandStyleWords...)}, key{"to questions", wordsOf("", questionStyleWords...)})},
		key{"takes", takes},
		key{"line frequency", valueOfUnit("of the mains, for what is counted in its periods", "Hz")},
		key{"!identity", keysOf("who it is", key{"!ask", words}, key{"answer", name}, key{"!looks like", like})},
		key{"!footing", keysOf("how to be sure of the line again after an answer that did not come", key{"send", words}, key{"ask", words},
			key{"answer", name}, key{"looks like", like}, key{"!quiet", timeOf("so long nothing may come")},
			key{"latest", timeOf("so long after the question its answer does not come any more")})},
		key{"errors", keysOf("its queue of errors", key{"!ask", words}, key{"!at most", wholeOf("its length", 1, 1000)},
			key{"refused", textOf("a command that it does not know, and that changes nothing: for a proof test")})},
		key{"at once", textOf("single characters that are obeyed ahead of everything, and not acknowledged")},
		key{"sends ahead", wholeOf("lines that it can hold", 1, 100)},
		key{"full speed after", timeOf("how long a stage takes from rest to its highest speed")},
		key{"refusals", entriesOf("what its numbers of refusals mean", wholeNumber, textOf("in words for a person"))},
		key{"alarms", entriesOf("what its numbers of alarms mean", wholeNumber, textOf("in words for a person"))},
		key{"prepare", anyOf("what brings it into a known state", oneOrMoreOf(words), keysOf("and a wait", key{"!send", oneOrMoreOf(words)}, key{"!then wait", timeOf("until it has taken effect")}))},
		key{"sets", listOf("what can be commanded, in the order in which it is sent", setSchema(words))},
		key{"measures", listOf("what can be asked", measureSchema(words, takes))},
		key{"watch", watchSchema(words)},
		key{"safe", listOf("what makes it safe, and what shows that it is", keysOf("an action", append(questionKeys(words),
			key{"!send", oneOrMoreOf(words)}, key{"then wait", timeOf("until it has taken effect")}, key{"expect", oneOrMoreOf(textOf("what must be answered"))},
			key{"within", textOf("how far a number may differ, in the instrument's own words")},
			key{"evidence", wordsOf("what that is worth", "indirect", "direct")})...))},
		key{"watchdog", keysOf("its own switch-off", key{"!arm", orderSchema(words)}, key{"feed", orderSchema(words)}, key{"!disarm", orderSchema(words)},
			key{"!trips after", timeOf("without being fed")}, key{"!feed every", timeOf("at least three times in that")})},
		key{"heating", heatingSchema()},
		key{"limits", entriesOf("levels that the instrument must not pass, by what is measured", oneName, limitSchema(anyValue))},
		key{"accuracy", listOf("what is promised of what is measured", keysOf("for one quantity, up to a value", key{"!quantity", textOf("what is measured")},
			key{"up to", anyValue("end of the range")}, key{"of reading", valueOfUnit("a part of the reading", "1")},
			key{"of range", valueOfUnit("and a part of the range", "1")}, key{"plus", anyValue("and so much")}, key{"resolution", anyValue("last digit")}))})
}

// questionKeys are those of a question.
func questionKeys(words schema) []key {
	return []key{{"ask", words}, {"answer", wordsOf("how it answers", questionStyleWords...)},
		{"channel", wholeOf("number that the answer must repeat", 0, 999)}}
}

func orderSchema(words schema) schema {
	return keysOf("a command with an answer of its own", key{"!send", words},
		key{"answer", wordsOf("how it answers", append([]string{"value"}, commandStyleWords...)...)}, key{"expect", textOf("the value")})
}

// oneState is {quantity: state}.
func oneState(about string) schema {
	return schema{"type": "object", "description": about, "minProperties": 1, "maxProperties": 1, "additionalProperties": textOf("its state")}
}

func setSchema(words schema) schema {
	back := questionKeys(words)
	back[0].name = "!ask"
	sends := oneOrMoreOf(words)
	return keysOf("one quantity, with a unit or with states",
		key{"!quantity", textOf("its name")},
		key{"takes at most", timeOf("what it sets in motion is over after this")},
		key{"unit", textOf("of its value")},
		key{"states", schema{"type": "object", "description": "its states, and the words for each", "additionalProperties": anyOf("words for this state", sends,
			keysOf("words, and what is read back", key{"!send", sends}, key{"reads", oneOrMoreOf(textOf("what is read back then"))}))}},
		key{"send", textOf("a command with {value} in it")},
		key{"written", textOf("how the number is written: scientific, or 1 decimal")},
		key{"kept by", wordsOf("who keeps it, if it is not the instrument", "dwell")},
		key{"read back", keysOf("what is asked after it", append(back, key{"within", oneOrMoreOf(anyValue("how far the answer may differ"))})...)},
		key{"then wait", timeOf("until it has taken effect")},
		key{"least", anyValue("that the instrument itself can do")},
		key{"most", anyValue("that the instrument itself can do")},
		key{"default", textOf("what it is after prepare")},
		key{"bounded by", textOf("the measured quantity whose limits bound it")},
		key{"energises", oneOrMoreOf(textOf("a state that puts energy into the world"))},
		key{"while", oneState("it means something in this state of another quantity only")},
		key{"changes only while", oneState("it may be changed in this state of another quantity only")},
		key{"upsets", oneOrMoreOf(textOf("a quantity that is not known any more after it"))},
		key{"reversible", flagOfSchema("true: its sign can be turned round for a reading")})
}

func measureSchema(words, takes schema) schema {
	field := keysOf("one value of the answer",
		key{"quantity", textOf("what it is; without one it is a status word, or not used")},
		key{"unit", textOf("in which it comes")},
		key{"display", anyValue("smallest step that can be seen")},
		key{"from", textOf("where it stands in a report: a key, and the place in it, such as MPos 1")},
		key{"no probe", schema{"type": "number", "description": "what comes when nothing is plugged in"}},
		key{"no probe outside", schema{"type": "array", "minItems": 2, "maxItems": 2, "items": anyValue("lowest, highest"), "description": "what comes when nothing is plugged in lies outside of this"}},
		key{"bits", entriesOf("what single bits of a status word say of the answer", wholeNumber, wordsOf("", "in compliance", "overflow", "no probe"))},
		key{"states", schema{"type": "object", "description": "states, and the words in which they come", "additionalProperties": oneOrMoreOf(textOf("what comes then"))}},
		key{"restless", flagOfSchema("true: its last digit never rests, so that one that does is frozen")},
		key{"updates every", timeOf("an instrument that measures on its own has a new value so often")},
		key{"averages over", timeOf("up to its moment, such a value is a mean over this")},
		key{"filter", timeOf("time constant of a first-order filter that it goes through")})
	return keysOf("one question that brings one or more values", append(questionKeys(words),
		key{"!name", textOf("of the question")},
		key{"ask by", schema{"type": "object", "description": "a quantity with the question for each of its states", "minProperties": 1, "maxProperties": 1,
			"additionalProperties": schema{"type": "object", "additionalProperties": words}}},
		key{"needs", oneState("it can be asked in this state only")},
		key{"takes", takes},
		key{"integrations", wholeOf("how often it integrates for one answer", 1, 100)},
		key{"fields", listOf("the values of the answer, in their order", field)},
		key{"computed", listOf("what is worked out from them", keysOf("a product or a quotient", key{"!quantity", textOf("its name")},
			key{"!is", textOf("two fields with / or * between")}, key{"!display", anyValue("smallest step that can be seen")},
			key{"restless", flagOfSchema("true: its last digit never rests")}))},
		key{"reversal", keysOf("read with the current both ways round", key{"!settle", timeOf("after each turn")})})...)
}

func watchSchema(words schema) schema {
	back := questionKeys(words)
	back[0].name = "!ask"
	wrong := entriesOf("what a number says", wholeNumber, textOf("in words for a person"))
	return keysOf("what shows that somebody else changed the instrument",
		key{"ask", listOf("questions after its health", keysOf("a question", append(back, key{"wrong bits", wrong}, key{"wrong values", wrong},
			key{"wrong words", schema{"type": "object", "description": "what a word says", "additionalProperties": textOf("in words for a person")}},
			key{"while", oneState("it is looked at in this state of a quantity only")},
			key{"reset", oneOrMoreOf(textOf("of these, those that say that it was reset"))})...))},
		key{"settings", oneOrMoreOf(textOf("a quantity that is read back now and then"))})
}
