package policy

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/checker"
	celast "cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/env"
	"cel.dev/cel-go/common/operators"
	"github.com/goccy/go-yaml/ast"

	"trigone/internal/metric"
	"trigone/internal/rules"
	"trigone/internal/valve"
)

// Keys of a rule of the site.
const (
	keyID       = "id"
	keySummary  = "summary"
	keyAt       = "at"
	keyReads    = "reads"
	keyWhen     = "when"
	keyMessage  = "message"
	keyAdvice   = "advice"
	keySeverity = "severity"
	keySource   = "source"
	keyAnswers  = "answers_for_it"
	keyFires    = "fires_percent"
	keyTests    = "tests"

	keyValue = "value"
	keyPlace = "place"
	keyFact  = "fact"
	keyFrom  = "from"

	keyGiven = "given"
	keyIs    = "is"
)

// What a test of a rule expects.
const (
	isFires        = "fires"
	isSilent       = "silent"
	isNotEvaluable = "not_evaluable"
)

// Bounds of a rule. An expression has no loops: what it may cost is known before it is
// run, and is bounded all the same while it runs.
const (
	mostRules       = 100
	mostReads       = 16
	mostTests       = 50
	mostSentence    = 300
	mostExpression  = 1000
	mostNesting     = 24
	mostCost        = 1000
	mostFactLetters = 40
)

// MostFires is the share of cases, in percent, above which a caution of a site says too
// much to be one.
const MostFires = 10

// operations are what an expression may do. It divides by nothing: what is measured
// may be 0, and a number beyond all others would fire. It calls nothing: names and
// words are all there is to read.
var operations = []string{
	operators.LogicalAnd, operators.LogicalOr, operators.LogicalNot, operators.Conditional, operators.In,
	operators.Equals, operators.NotEquals, operators.Less, operators.LessEquals, operators.Greater, operators.GreaterEquals,
	operators.Add, operators.Subtract, operators.Multiply, operators.Negate,
}

var (
	siteRuleID = regexp.MustCompile(`^site/[a-z0-9]+(-[a-z0-9]+)*$`)
	readName   = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)
	braced     = regexp.MustCompile(`\{([^{}]*)\}`)
)

// siteRules reads the site's own rules, compiles them and runs their tests.
func (r *reading) siteRules(f field) []rules.SiteRule {
	items := r.Items(f)
	if len(items) > mostRules {
		r.Fault(f, "%s has %d entries; a site may give %d", f.Path(), len(items), mostRules)
		return nil
	}
	var list []rules.SiteRule
	for _, item := range items {
		before := r.Count()
		rule := r.siteRule(item)
		if r.Count() > before {
			continue
		}
		if slices.ContainsFunc(list, func(o rules.SiteRule) bool { return o.ID == rule.ID }) {
			r.Fault(item, "%s has the id %s, which another rule has; give each its own", item.Path(), rule.ID)
			continue
		}
		list = append(list, rule)
	}
	return list
}

func (r *reading) siteRule(item field) rules.SiteRule {
	given := r.Fields(item, keyID, keySummary, keyAt, keyReads, keyWhen, keyMessage, keyAdvice, keySeverity, keySource, keyAnswers, keyFires, keyTests)
	for _, key := range []string{keyID, keySummary, keyAt, keyReads, keyWhen, keyMessage, keyTests} {
		if _, has := given[key]; !has && len(given) > 0 {
			r.Fault(item, "%s has no %s; every rule needs %s, %s, %s, %s, %s, %s and %s", item.Path(), key, keyID, keySummary, keyAt, keyReads, keyWhen, keyMessage, keyTests)
		}
	}
	rule := rules.SiteRule{
		ID: r.sentence(given, keyID), Summary: r.sentence(given, keySummary), At: r.sentence(given, keyAt),
		Message: r.sentence(given, keyMessage), Advice: r.sentence(given, keyAdvice),
	}
	if f := given[keyID]; f.Value != nil && !siteRuleID.MatchString(rule.ID) {
		r.Fault(f, "%s is no id of a site's rule; give %s and then a-z, 0-9 and single hyphens", f.Path(), rules.SitePrefix)
	}
	if f := given[keyAt]; f.Value != nil && !slices.ContainsFunc(rules.SitePlaces(), func(p rules.SitePlace) bool { return p.Word == rule.At }) {
		r.Fault(f, "%s is no place at which a rule may speak; give one of %s", f.Path(), strings.Join(placeWords(), ", "))
	}
	r.severity(given, &rule)
	before := r.Count()
	if rule.Reads = r.siteReads(given[keyReads]); r.Count() > before {
		return rule // what names them would be a fault once more
	}
	r.placeholders(given[keyMessage], rule)
	rule.Fires = r.compiled(given[keyWhen], rule.Reads)
	if rule.Fires != nil {
		r.siteTests(given[keyTests], rule)
	}
	return rule
}

func placeWords() []string {
	var list []string
	for _, p := range rules.SitePlaces() {
		list = append(list, p.Word)
	}
	return list
}

func originWords() []string {
	var list []string
	for _, o := range rules.SiteOrigins() {
		list = append(list, o.Word)
	}
	return list
}

func factNames() []string {
	var list []string
	for _, f := range rules.SiteFacts() {
		list = append(list, f.Name)
	}
	return list
}

// sentence reads a short text of one line; one that is not there is empty.
func (r *reading) sentence(given map[string]field, key string) string {
	f, has := given[key]
	if !has {
		return ""
	}
	text, ok := r.Text(f)
	if !ok {
		return ""
	}
	switch {
	case strings.TrimSpace(text) == "":
		r.Fault(f, "%s is empty", f.Path())
	case utf8.RuneCountInString(text) > mostSentence:
		r.Fault(f, "%s has more than %d signs", f.Path(), mostSentence)
	case strings.ContainsFunc(text, func(c rune) bool { return c < ' ' || c == 0x7f }):
		r.Fault(f, "%s has more than one line, or signs that cannot be seen", f.Path())
	}
	return text
}

func (r *reading) siteReads(f field) []rules.SiteRead {
	var list []rules.SiteRead
	entries := r.Entries(f)
	switch {
	case f.Value != nil && len(entries) == 0:
		r.Fault(f, "%s is empty; name what the rule reads", f.Path())
	case len(entries) > mostReads:
		r.Fault(f, "%s has %d entries; a rule may read %d things", f.Path(), len(entries), mostReads)
		return nil
	}
	for _, e := range entries {
		if !readName.MatchString(e.Name) {
			r.FaultAt(e.Key, "%s is no name; give a-z, 0-9 and _, a letter first", e.Path())
			continue
		}
		parts := r.Fields(e, keyValue, keyPlace, keyFact, keyFrom)
		read := rules.SiteRead{Name: e.Name, Value: valve.ID(r.sentence(parts, keyValue)), Place: valve.Place(r.sentence(parts, keyPlace)), Fact: r.sentence(parts, keyFact), From: r.sentence(parts, keyFrom)}
		switch _, _, known := metric.Describe(read.Value); {
		case (read.Value == "") == (read.Fact == ""):
			r.Fault(e, "%s needs a %s or a %s, and not both", e.Path(), keyValue, keyFact)
		case read.Value != "" && !known:
			r.Fault(parts[keyValue], "%s is neither a leaf nor a metric; the command trigone metrics --leaves lists both", parts[keyValue].Path())
		case read.Fact != "" && !slices.Contains(factNames(), read.Fact):
			r.Fault(parts[keyFact], "%s is no fact; the names are %s", parts[keyFact].Path(), strings.Join(factNames(), ", "))
		case read.Fact != "" && read.Place != "":
			r.Fault(parts[keyPlace], "%s stands beside a fact, which has no place", parts[keyPlace].Path())
		}
		if _, err := valve.ParsePlace(string(read.Place)); err != nil {
			r.Fault(parts[keyPlace], "%s is no place, e.g. p2, a2_p2 or posterior", parts[keyPlace].Path())
		}
		if read.From != "" && !slices.Contains(originWords(), read.From) {
			r.Fault(parts[keyFrom], "%s is nowhere that a rule may read; give one of %s, or leave it out for where the rule speaks", parts[keyFrom].Path(), strings.Join(originWords(), ", "))
		}
		list = append(list, read)
	}
	return list
}

// placeholders refuses a message that names what the rule does not read.
func (r *reading) placeholders(f field, rule rules.SiteRule) {
	for _, m := range braced.FindAllStringSubmatch(rule.Message, -1) {
		if !slices.ContainsFunc(rule.Reads, func(of rules.SiteRead) bool { return of.Name == m[1] }) {
			r.Fault(f, "%s names {%.40s}, which the rule does not read", f.Path(), m[1])
		}
	}
}

// severity reads how strong the rule is. A caution names its source and who answers
// for it, and how often it fires; where that is too often it loads as a note.
func (r *reading) severity(given map[string]field, rule *rules.SiteRule) {
	word := r.sentence(given, keySeverity)
	source, answers := r.sentence(given, keySource), r.sentence(given, keyAnswers)
	rule.Severity = rules.Note
	if source != "" {
		rule.Basis += " Source named by the site: " + source + "."
	}
	if answers != "" {
		rule.Basis += " Answers for it: " + answers + "."
	}
	percent, told := 0.0, false
	if f, has := given[keyFires]; has {
		percent, told = r.Number(f)
		if told && !(percent >= 0 && percent <= 100) {
			r.Fault(f, "%s is %g; give 0 to 100", f.Path(), percent)
		}
	}
	f := given[keySeverity]
	switch {
	case word == "" || word == string(rules.Note):
	case word != string(rules.Caution):
		r.Fault(f, "%s is neither note nor caution; a rule of a site never finds a contradiction", f.Path())
	case source == "" || answers == "" || !told:
		r.Fault(f, "%s is caution; give %s (what was read), %s (who at the site) and %s (as trigone check-policy counts it) beside it, or make it a note", f.Path(), keySource, keyAnswers, keyFires)
	case percent <= MostFires:
		rule.Severity = rules.Caution
	default:
		rule.Lowered = true
	}
}

// compiled gives the predicate of an expression; nil: it has a fault.
func (r *reading) compiled(f field, reads []rules.SiteRead) func(map[string]any) (bool, error) {
	if f.Value == nil {
		return nil
	}
	text, ok := r.expression(f)
	if !ok {
		return nil
	}
	library := env.NewLibrarySubset().SetDisableMacros(true)
	for _, name := range operations {
		library.AddIncludedFunctions(env.NewFunction(name))
	}
	options := []cel.EnvOption{
		cel.StdLib(cel.StdLibSubset(library)), cel.CrossTypeNumericComparisons(true),
		cel.ParserRecursionLimit(mostNesting), cel.ParserExpressionSizeLimit(mostExpression),
	}
	for _, of := range reads {
		kind := cel.DoubleType
		if fact, is := factOf(of.Fact); is && len(fact.Words) > 0 {
			kind = cel.StringType
		}
		options = append(options, cel.Variable(of.Name, kind))
	}
	judged, err := cel.NewCustomEnv(options...)
	if err != nil {
		r.Fault(f, "%s cannot be compiled: %s", f.Path(), oneLine(err))
		return nil
	}
	tree, issues := judged.Compile(text)
	switch {
	case issues.Err() != nil:
		r.Fault(f, "%s is no expression that can be judged: %s", f.Path(), told(issues.Err()))
		return nil
	case tree.OutputType() != cel.BoolType:
		r.Fault(f, "%s does not come to true or false", f.Path())
		return nil
	}
	if word, unknown := unknownWord(tree, reads); unknown {
		r.Fault(f, "%s has the word %q, which no fact that the rule reads ever says", f.Path(), word)
		return nil
	}
	cost, err := judged.EstimateCost(tree, shortTexts{})
	if err == nil && cost.Max > mostCost {
		r.Fault(f, "%s may cost %d steps; a rule may take %d, make it shorter", f.Path(), cost.Max, mostCost)
		return nil
	}
	var program cel.Program
	if err == nil {
		program, err = judged.Program(tree, cel.CostLimit(mostCost))
	}
	if err != nil {
		r.Fault(f, "%s cannot be compiled: %s", f.Path(), oneLine(err))
		return nil
	}
	return func(read map[string]any) (bool, error) {
		out, _, err := program.Eval(read)
		switch {
		case err == nil:
			fires, ok := out.Value().(bool)
			if !ok {
				return false, errors.New("it does not come to true or false")
			}
			return fires, nil
		case len(read) < len(reads):
			return false, rules.ErrMissing
		}
		return false, errors.New(oneLine(err))
	}
}

// unknownWord finds a word of an expression that none of its facts can say: misspelt, it
// would keep the rule silent for ever.
func unknownWord(tree *cel.Ast, reads []rules.SiteRead) (word string, unknown bool) {
	var all []string
	for _, of := range reads {
		fact, _ := factOf(of.Fact)
		all = append(all, fact.Words...)
	}
	celast.PreOrderVisit(tree.NativeRep().Expr(), celast.NewExprVisitor(func(e celast.Expr) {
		if e.Kind() != celast.LiteralKind || unknown {
			return
		}
		if text, is := e.AsLiteral().Value().(string); is && !slices.Contains(all, text) {
			word, unknown = text, true
		}
	}))
	return word, unknown
}

// expression reads the text of an expression, which may have several lines.
func (r *reading) expression(f field) (string, bool) {
	text := ""
	switch n := f.Value.(type) {
	case *ast.LiteralNode:
		text = n.Value.Value
	default:
		var ok bool
		if text, ok = r.Text(f); !ok {
			return "", false
		}
	}
	if utf8.RuneCountInString(text) > mostExpression {
		r.Fault(f, "%s has more than %d signs", f.Path(), mostExpression)
		return "", false
	}
	return text, true
}

func factOf(name string) (rules.SiteFact, bool) {
	all := rules.SiteFacts()
	i := slices.IndexFunc(all, func(f rules.SiteFact) bool { return f.Name == name })
	if i < 0 {
		return rules.SiteFact{}, false
	}
	return all[i], true
}

// shortTexts tells the estimate of costs how long a fact is at most.
type shortTexts struct{}

func (shortTexts) EstimateSize(checker.AstNode) *checker.SizeEstimate {
	return &checker.SizeEstimate{Min: 0, Max: mostFactLetters}
}

func (shortTexts) EstimateCallCost(string, string, *checker.AstNode, []checker.AstNode) *checker.CallEstimate {
	return nil
}

// oneLine gives an error without its excerpt of the text.
func oneLine(err error) string {
	line, _, _ := strings.Cut(strings.TrimSpace(err.Error()), "\n")
	return strings.TrimPrefix(line, "ERROR: ")
}

// told adds to a fault of an expression what is meant most often.
func told(err error) string {
	line := oneLine(err)
	switch {
	case strings.Contains(line, "no matching overload"):
		return line + "; what is reckoned with a number is written with a point, e.g. 2.0"
	case strings.Contains(line, "undeclared reference"):
		return line + "; an expression names what stands under reads, compares, adds, subtracts and multiplies, and joins by &&, ||, ! and in"
	}
	return line
}

// siteTests runs the tests that stand beside a rule: it must fire, be silent and miss
// something in one each at least.
func (r *reading) siteTests(f field, rule rules.SiteRule) {
	items := r.Items(f)
	if len(items) > mostTests {
		r.Fault(f, "%s has %d entries; a rule may have %d", f.Path(), len(items), mostTests)
		return
	}
	before := r.Count()
	seen := map[string]bool{}
	for _, item := range items {
		parts := r.Fields(item, keyGiven, keyIs)
		want := r.sentence(parts, keyIs)
		if !slices.Contains([]string{isFires, isSilent, isNotEvaluable}, want) {
			r.Fault(item, "%s.%s is none of %s, %s and %s", item.Path(), keyIs, isFires, isSilent, isNotEvaluable)
			continue
		}
		seen[want] = true
		given, ok := r.siteGiven(parts[keyGiven], rule)
		if !ok {
			continue
		}
		got := isSilent
		switch fires, err := rule.Fires(given); {
		case errors.Is(err, rules.ErrMissing):
			got = isNotEvaluable
		case err != nil:
			r.Fault(item, "%s fails: %s", item.Path(), err)
			continue
		case fires:
			got = isFires
		}
		if got != want {
			r.Fault(item, "%s says that the rule is %s, and it is %s", item.Path(), spaced(want), spaced(got))
		}
	}
	for _, need := range []string{isFires, isSilent, isNotEvaluable} {
		if !seen[need] && r.Count() == before {
			r.Fault(f, "%s has no test in which the rule is %s; give one of %s, %s and %s each at least", f.Path(), spaced(need), isFires, isSilent, isNotEvaluable)
		}
	}
}

func spaced(word string) string { return strings.ReplaceAll(word, "_", " ") }

// siteGiven reads what a test gives the rule.
func (r *reading) siteGiven(f field, rule rules.SiteRule) (map[string]any, bool) {
	given, before := map[string]any{}, r.Count()
	for _, e := range r.Entries(f) {
		i := slices.IndexFunc(rule.Reads, func(of rules.SiteRead) bool { return of.Name == e.Name })
		if i < 0 {
			r.FaultAt(e.Key, "%s is nothing that the rule reads", e.Path())
			continue
		}
		fact, is := factOf(rule.Reads[i].Fact)
		if !is || len(fact.Words) == 0 {
			if v, ok := r.Number(e); ok {
				given[e.Name] = v
			}
			continue
		}
		word, ok := r.word(e)
		if ok && !slices.Contains(fact.Words, word) {
			r.Fault(e, "%s is no word of %s; the words are %s", e.Path(), fact.Name, strings.Join(fact.Words, ", "))
		}
		given[e.Name] = word
	}
	return given, r.Count() == before
}

// word reads a word; YAML 1.1 would read yes and no as something else.
func (r *reading) word(f field) (string, bool) {
	if b, is := f.Value.(*ast.BoolNode); is {
		return fmt.Sprint(b.GetToken().Value), true
	}
	return r.Text(f)
}

// siteRuleSchema is the schema of one rule of the site; what an expression may say is
// told by check-policy.
func siteRuleSchema() object {
	sentence := object{"type": "string", "pattern": `\S`, "maxLength": mostSentence}
	read := object{
		"type": "object", "additionalProperties": false,
		"oneOf": []object{{"required": []string{keyValue}}, {"required": []string{keyFact}}},
		"properties": object{
			keyValue: object{"type": "string", "description": "id of a leaf or a metric"},
			keyPlace: object{"type": "string", "description": "place of the value; left out: the whole valve"},
			keyFact:  object{"enum": factNames()},
			keyFrom:  object{"enum": originWords(), "description": "where it is read; left out: where the rule speaks"},
		},
	}
	test := object{
		"type": "object", "additionalProperties": false, "required": []string{keyIs},
		"properties": object{
			keyGiven: object{"type": []string{"object", "null"}},
			keyIs:    object{"enum": []string{isFires, isSilent, isNotEvaluable}},
		},
	}
	return object{
		"type": "object", "additionalProperties": false,
		"required": []string{keyID, keySummary, keyAt, keyReads, keyWhen, keyMessage, keyTests},
		"properties": object{
			keyID: object{"type": "string", "pattern": siteRuleID.String()}, keySummary: sentence, keyMessage: sentence, keyAdvice: sentence,
			keyAt:       object{"enum": placeWords()},
			keyReads:    object{"type": "object", "minProperties": 1, "maxProperties": mostReads, "propertyNames": object{"pattern": readName.String()}, "additionalProperties": read},
			keyWhen:     object{"type": "string", "maxLength": mostExpression, "description": "expression in the Common Expression Language"},
			keySeverity: object{"enum": []string{string(rules.Note), string(rules.Caution)}},
			keySource:   sentence, keyAnswers: sentence,
			keyFires: object{"type": "number", "minimum": 0, "maximum": 100},
			keyTests: object{"type": "array", "maxItems": mostTests, "items": test},
		},
	}
}
