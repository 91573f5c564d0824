# Tells a long story in sentences of our own, none like another: what is read twice is looked
# for by its sound, so a text that comes back again and again would be another job than a
# book. No clause comes twice, nor do any three of its words of meaning in a row; a name
# that was never heard before comes up every few sentences.
#
#     awk -v words=N -f reading.awk       a line for each sentence, N words or a few more

BEGIN {
	srand(7)
	list("noun", "anchor apple apron archive arch attic awning axle baker balcony ballad bank banner barge barn barrel basin basket beacon bell bellows bench blanket boat bolt bonnet book boulder bowl brake bridge broom bucket buoy cabin cable candle canvas cap captain cargo carpenter cart causeway cellar chain chair channel chapel chart chimney choir cistern clerk cloak clock cloud coast cobbler coin column compass cooper copper corner cottage counter courtyard cradle crane crew cupboard current curtain dam daughter deck desk dinghy diver dock doctor door dream drum dune ember engine envelope errand farmer father feather fence ferry ferryman field fire fisherman flag flame flask floor flute fog fountain friend furnace garden garment gate girl glacier goat gravel grocer gull gutter hammer harbor harness harvest hat heron hill hinge hook horse hotel hunter inlet inn island jacket jar jetty joiner journal judge kettle key kiln king kitchen kite ladder lagoon lamp landlord lantern ledger lemon letter levee lever lighthouse lock loom lumber magistrate mallet map market mason mast mayor meadow merchant midwife mill miller mirror mist moon moor mooring mother mountain nail needle neighbor net nettle notebook number oar officer orchard organ oven owl packet paddle painter pantry paper parcel pasture path pebble pedlar pencil pepper pier pillow pilot pipe planet plank plow pocket poem pond porch porter potter prayer promise pulley pump quarry quay question quilt rafter railing rain raven reed ribbon river road robin roof root rope rower rudder rumor sack saddle sail sailor salmon sandbar scale school seal season shadow shed shepherd shipwright shoulder shovel shutter signal singer sister skipper sledge sluice smith soldier song sparrow spindle spring stable stair steamer steeple stone storm stove stranger stream street summer surveyor swallow swan table tailor tavern teacher teapot tender thimble thread throne thunder tide timber tinker toll torch tower town trader tree trough trumpet trunk tunnel turnip turret twine uncle valley veil vessel viaduct village violin voyage wagon wall warden warehouse weaver wedge weir well wheel whistle widow willow winch window winter witness wren yard")
	list("verb", "abandoned admired answered avoided baited balanced beckoned blamed blessed borrowed bought bound broke brought built buried burned called carried carved chased chose circled claimed cleaned climbed closed collected comforted copied counted courted covered crossed cursed cut defended delivered described doubted dragged drew drowned dug emptied envied escaped examined favored feared fed fetched filled finished flattered folded followed forgave forgot found framed freed gathered greased greeted guarded guessed guided hauled heard hid hired hoarded hoisted ignored imagined inherited inspected invented invited judged kept kissed knew knotted labeled lacked left lent lifted lit loaded loosened lost lowered mapped married measured mended missed mocked moved named needed noticed obeyed offered opened ordered owed owned packed painted pardoned passed pawned pitied planted polished praised preferred pulled punished pushed questioned quoted raised reached read recalled refused remembered repaired repeated rescued returned robbed rowed salvaged saw scolded scrubbed searched sent sharpened shook sketched smelled sold sorted spared split steered stole stored studied swept tarred tasted taught tied thanked threatened tolled touched towed traced traded trimmed trusted turned unlocked untied valued visited wanted warned washed watched weighed welcomed whitewashed wore wrapped wrote")
	list("move", "bowed came climbed crawled crept danced drifted fell fled floated flowed glided grew hovered hurried jumped knelt lay leaned limped lingered listened marched paused pointed ran rested rolled rose rowed sailed sang sank sat shivered slept slid slipped smiled spoke stared stood stumbled swam swung trembled tumbled turned vanished waded waited walked wandered wept whistled worked yawned")
	list("kind", "ancient angry bare bitter blind blue bold borrowed brave brief bright brittle broad broken brown careful cheap clean clever clumsy cold common copper crooked cruel damp dark dear deep distant double dry dull dusty eager early easy elder empty even evil faint fair faithful false famous far fatal fine firm flat foggy foolish foreign forgotten frail frozen gentle giddy golden gray green half harsh hasty heavy hidden high hollow honest humble hungry idle iron jealous keen kind lame last lazy leaky lean light little lonely long loud low lucky mad marble merry mild modest muddy narrow nervous noble northern odd old orange painted pale patient plain polite poor proud pure purple quick quiet rare raw red restless rich ripe rough round rude rusty sacred sad salt secret severe shallow sharp shy silent silver simple slender slow small smooth soft solemn sour southern spare steady steep stiff stolen strange stubborn sudden sullen sunken sweet swift tall tame tardy thick thin tidy timid tired torn true unpaid upper useful vacant vain vast velvet violet warm weary western wet white wicked wide wild wise wooden worn yellow young")
	list("how", "again alone already barely bitterly bravely calmly carefully carelessly cheerfully clearly coldly daily deliberately dimly eagerly early easily evenly finally first gently gladly gravely gradually hardly hastily honestly idly kindly late lately lightly loudly meekly merely mildly nearly nightly oddly often openly patiently plainly politely promptly proudly quickly quietly rarely readily sadly secretly seldom sharply silently simply slowly smoothly softly solemnly soon steadily sternly stiffly suddenly sweetly swiftly tenderly then thickly thoroughly tightly together twice unwillingly vaguely warmly wearily wildly wisely yearly")
	list("where", "about above across after against along among around at before behind below beneath beside between beyond by for from inside into near off on onto opposite over past round through toward under until upon with within without")
	list("whose", "a another each every her his no one our some that the the the the the their this your")
	list("tie", "although and and because before but for if once or since so that though unless until when where whereas while yet")
	list("onset", "Ash Bel Bram Cor Dra Dun Eld Fen Fro Gar Gle Hes Hul Ing Jor Ket Lam Lor Mar Mos Nar Nol Odd Orm Pel Quil Ras Rud Sel Stav Thor Tol Ul Vas Ven Wend Wil Yar Zel")
	list("middle", "a al an ar e el em en er i il in o ol om on or ow u us")
	list("coda", "beck bow by combe croft dale del fell ford gate ham holm kin ley low mere mouth nell ness per reth rick shaw stead ter thwaite toft ver vin wick worth")
	list("month", "January February March April May June July August September October November December")

	while (told < words) {
		line = clause()
		while (rand() < 0.42) line = line (rand() < 0.6 ? ", " : " ") any("tie") " " clause()
		if (rand() < 0.12) line = line ", said " name()
		print toupper(substr(line, 1, 1)) substr(line, 2) "."
		told += split(line, unused, " ")
	}
}

function list(what, all) { count[what] = split(all, part, " "); for (i = 1; i <= count[what]; i++) word[what, i] = part[i] }

# any picks a word of a list.
function any(what) { return word[what, 1 + int(rand() * count[what])] }

# new picks a word of meaning, and keeps it in mind for the clause.
function new(what) { return mind[++minds] = any(what) }

function name() { return mind[++minds] = any("onset") any("middle") any("coda") }

# clause makes one that was not heard before.
function clause(    line, fresh, k, key) {
	do {
		minds = 0
		line = (rand() < 0.15 ? beginning() : "") thing(0.2) " " deed()
		fresh = !((key = minds < 3 ? mind[1] " " mind[2] : line) in heard)
		for (k = 3; k <= minds; k++) if ((mind[k - 2] " " mind[k - 1] " " mind[k]) in heard) fresh = 0
	} while (!fresh)
	heard[key]
	for (k = 3; k <= minds; k++) heard[mind[k - 2] " " mind[k - 1] " " mind[k]]
	return line
}

function beginning(    r) {
	r = rand()
	if (r < 0.25) return "on the " ordinal(1 + int(rand() * 30)) " of " any("month") ", "
	if (r < 0.4) return "at " (5 + int(rand() * 50)) " past " (1 + int(rand() * 12)) " "
	if (r < 0.7) return any("where") " " thing(0) ", "
	return new("how") " "
}

function ordinal(n) { return n (n % 10 == 1 && n != 11 ? "st" : n % 10 == 2 && n != 12 ? "nd" : n % 10 == 3 && n != 13 ? "rd" : "th") }

# thing is what does something or has it done, more said of it with the given odds.
function thing(odds,    r, line) {
	r = rand()
	if (r < 0.15) return name()
	if (r < 0.25) line = (2 + int(rand() * 998)) " " (rand() < 0.4 ? new("kind") " " : "") new("noun") "s"
	else line = any("whose") " " (rand() < 0.5 ? new("kind") " " : "") (rand() < 0.12 ? new("noun") "'s " : "") new("noun")
	if (rand() < odds) line = line " " (rand() < 0.7 ? any("where") " " thing(0) : "that " new("move") " " any("where") " " thing(0))
	return line
}

function deed(    line) {
	line = rand() < 0.15 ? new("how") " " : ""
	if (rand() < 0.6) line = line new("verb") " " thing(0.25)
	else line = line new("move") " " (rand() < 0.7 ? any("where") " " thing(0.15) : new("how"))
	if (rand() < 0.15) line = line " " any("where") " " thing(0)
	return line
}
