package main

import "dwell/safety"

// This file describes protocols.

func protocolSchema() schema {
	duration := func(about string) schema { return valueOrName(about, "s") }
	x := keysOf("a protocol: what is to be done, in order",
		key{"!format", formatOf()},
		key{"!title", textOf("one line that says what this is")},
		key{"unattended", flagOfSchema("true refuses every step that needs a person")},
		key{"let", entriesOf("names for values", oneName, anyValue("what the name stands for"))},
		key{"limits", entriesOf("levels that must not be passed, by channel; tighter than those of rig and specimen", channelName, protocolLimit(duration))},
		key{"interlocks", listOf("what must never hold", interlockSchema(duration))},
		key{"record", entriesOf("how often channels are read", channelName, duration("time between two readings"))},
		key{"!ends", keysOf("when the run is over at the latest",
			key{"!at most", duration("longest duration of the whole run")},
			key{"off and cool by", schema{"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$", "description": "time of the day, in quotes, such as \"07:30\""}},
			key{"cool", valueOrName("below what counts as cool, 43 degC if it is left out", "degC")})},
		key{"!steps", schema{"$ref": "#/$defs/steps"}})
	x["$defs"] = schema{"steps": schema{"type": "array", "minItems": 1, "description": "what is done, in this order", "items": schema{"anyOf": stepSchemas(duration)}}}
	return x
}

func protocolLimit(duration func(string) schema) schema {
	return keysOf("what the channel must stay below or above, or how fast it may change",
		key{"below", anyValueOrName("the run trips when a reading gets there")},
		key{"above", anyValueOrName("the run trips when a reading gets there")},
		key{"lasting", duration("it must be passed for so long")},
		key{"changes slower than", anyValueOrName("a rate, such as 90 K/min")},
		key{"over", duration("the time over which the rate is looked at")})
}

// anyValueOrName is a value of some dimension, or a name.
func anyValueOrName(about string) schema {
	return anyOf(about, anyValue(about), schema{"type": "string", "pattern": "^" + oneName + "$"})
}

func interlockSchema(duration func(string) schema) schema {
	return keysOf("a condition, and what is done when it holds",
		key{"!when", textOf("a condition, in quotes")},
		key{"while", wordsOf("when it is judged; always if this is left out", safety.Arming...)},
		key{"lasting", duration("for how long it must hold")},
		key{"!then", wordsOf("what is done", "trip", "pause", "warn")},
		key{"clear for", duration("a paused run goes on when the condition has been clear for so long")},
		key{"at most", duration("longest pause; then the run trips")},
	).with("^"+oneName+" to$", valueOrName("a temperature for the time of the pause", "degC"))
}

// stepSchemas are the steps there are: each is a table with one verb, and steps under
// do for those that have steps inside.
func stepSchemas(duration func(string) schema) (all []schema) {
	inside := schema{"$ref": "#/$defs/steps"}
	role := wordsOf("kept out of hysteresis and repeatability; check standard: the meter reads a stable resistor in place of the film", "conditioning", "warm-up", "check standard")
	step := func(verb string, is schema) { all = append(all, keysOf("the step "+verb, key{"!" + verb, is})) }
	within := func(verb string, is schema) {
		all = append(all, keysOf("the step "+verb, key{"!" + verb, is}, key{"!do", inside}))
	}
	step("confirm", confirmSchema(duration))
	step("source", sourceSchema())
	step("source off", textOf("the source-meter whose output is switched off"))
	step("bring", keysOf("heat or cool to a temperature, and wait until it is there",
		key{"within", valueOrName("how near is there", "K")}, key{"for", duration("for how long it must be there")},
		key{"at most", duration("longest time this may take")}, key{"then wait", duration("and so long after that")},
		key{"without waiting", flagOfSchema("true goes on at once")},
	).with("^"+oneName+" to$", valueOrName("the temperature", "degC")))
	step("ramp", keysOf("move the setpoint at a steady rate", key{"!to", valueOrName("where it ends", "degC")},
		key{"!at", valueOrName("the rate, such as 1 K/min", "K/min")}).with("^"+oneName+" from$", valueOrName("where it begins", "degC")))
	step("hold", anyOf("wait", duration("so long"), keysOf("until a condition holds", key{"!until", textOf("a condition, in quotes")},
		key{"at most", duration("longest wait")}, key{"otherwise", wordsOf("what is done when it has not come", "go on", "stop")})))
	step("record", entriesOf("read channels at other rates from here on", channelName, duration("time between two readings")))
	step("mark", textOf("name of this moment"))
	step("note", textOf("a text for the log"))
	step("sweep", keysOf("go through levels, and read at each", key{"!instrument", textOf("the source-meter")},
		key{"current", rangeSchema("levels of the current")}, key{"voltage", rangeSchema("levels of the voltage")},
		key{"settle", duration("wait at each level before it is read")}, key{"!read", listOf("what is read", textOf("a channel"))}))
	step("place", keysOf("lay the specimen on the plate", moveKeys(duration)...))
	step("lift", keysOf("take the specimen off the plate", append(moveKeys(duration),
		key{"!to", wordsOf("where to", "air", "moving air", "cold block")})...))
	step("ask", anyOf("wait for a person", textOf("what the person is to do"), keysOf("wait for a person, but not for ever",
		key{"!to", textOf("what the person is to do")}, key{"at most", duration("longest wait")})))
	bendingSteps(step, duration)
	within("for each", schema{"type": "object", "description": "do the steps for every value: a name, with a range or a list",
		"minProperties": 1, "maxProperties": 2, "additionalProperties": rangeSchema("the values"), "propertyNames": schema{"pattern": "^(and back|" + oneName + ")$"},
		"properties": schema{"and back": flagOfSchema("true goes back the same way"), "shuffled": wholeOf("a seed: the values in an order that only it decides", 0, 1<<31-1)},
	})
	within("repeat", keysOf("do the steps so many times", key{"!times", wholeOf("how many", 1, 1_000_000)}, key{"as", role}))
	within("until failed", keysOf("do the steps until the specimen has failed", key{"open", flagOfSchema("true: when its source is in compliance in three readings")},
		key{"when", textOf("a condition, in quotes: or when it holds")}, key{"!judged every", duration("time between two looks, in the middle of cycles too")}))
	within("group", keysOf("give the steps a role", key{"!as", role}))
	return all
}

// bendingSteps are those of a stage.
func bendingSteps(step func(verb string, is schema), duration func(string) schema) {
	shape := []key{{"radius", valueOrName("least radius, of the neutral plane", "m")}, {"travel", valueOrName("of the clamps, from flat", "m")},
		{"strain", valueOrName("of the film, negative in compression", "1")}}
	speed, most := key{"speed", valueOrName("of the stage, 5 mm/s if this is left out", "m/s")}, key{"!at most", duration("longest time this may take")}
	step("home", keysOf("have the stage find its switch", most))
	step("bend", keysOf("bend to a shape: a radius, a travel or a strain", append(shape, speed, most)...))
	step("bend", keysOf("have a person lay the strip round a rod", key{"!rod", valueOrName("its diameter", "m")}, most))
	step("flat", keysOf("back to flat", speed, most))
	step("open", keysOf("open the plates", speed, most))
	step("cycle", keysOf("flat, bent, flat, again and again", key{"from", keysOf("another shape than flat in which each cycle begins and ends", shape...)},
		key{"!to", keysOf("the shape: a radius, a travel or a strain", shape...)},
		key{"!times", wholeOf("how many cycles", 1, 100_000_000)}, key{"!rate", valueOrName("cycles a second", "Hz")},
		key{"stop when", textOf("a condition, in quotes: the step ends when it holds")},
		key{"measure", keysOf("measure flat and bent now and then", key{"!at", textOf("the counts: 1-2-5, every 1000, or 3 per decade")},
			key{"!for", duration("so long in each shape, before the mark")},
			key{"follow", keysOf("read film and stage often, in a few cycles before each count", key{"!cycles", wholeOf("how many", 1, 100)},
				key{"!every", duration("between readings; not so that they meet the same few places in each cycle")}, key{"rate", valueOrName("cycles a second then; that of the step if this is left out", "Hz")})})}))
}

func confirmSchema(duration func(string) schema) schema {
	x := keysOf("make sure of the specimen before any heat",
		key{"!specimen", textOf("its id")},
		key{"resistance within", valueOrName("of what is expected", "1")},
		key{"current", valueOrName("a harmless one", "A")},
		key{"compliance", valueOrName("of the source", "V")},
		key{"symmetric within", valueOrName("how far both ways round may differ", "1")},
		key{"at most", duration("longest wait for a person")})
	return withSettings(x)
}

func sourceSchema() schema {
	return withSettings(keysOf("set a source-meter up, and switch its output on",
		key{"!instrument", textOf("the source-meter")},
		key{"current", valueOrName("the level, or use voltage", "A")},
		key{"voltage", valueOrName("the level, or use current", "V")},
		key{"!compliance", anyOf("where the other quantity is clamped", valueOrName("", "V"), valueOrName("", "A"))},
		key{"reverse", textOf("true reads with the current both ways round")}))
}

// withSettings adds what the profile of a source-meter can set besides: its own words.
func withSettings(x schema) schema {
	p := x["properties"].(schema)
	p["wires"] = textOf("2 or 4")
	p["integration"] = textOf("in periods of the mains")
	x["additionalProperties"] = textOf("what the instrument's profile sets besides")
	return x
}

// rangeSchema is a range, or a list, of values.
func rangeSchema(about string) schema {
	return anyOf(about, schema{"type": "string", "pattern": " to .* by "}, schema{"type": "array", "minItems": 1, "items": anyValueOrName("a value")})
}

func moveKeys(duration func(string) schema) []key {
	return []key{
		{"by", textOf("person, or the instrument that moves it; as the rig says if this is left out")},
		{"t0", anyOf("from what the moment is known", wordsOf("when the person presses Enter", "key"),
			keysOf("from readings", key{"contact", textOf("a condition, in quotes")}, key{"onset of", textOf("a channel")}))},
		{"at most", duration("longest wait")},
	}
}
