package convert

import (
	"strings"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/words"
)

// Word gives the word of an enum value: its name in lower case without the
// enum's prefix; the zero value and an unknown number have the empty word.
func Word(e protoreflect.Enum) string {
	if e.Number() == 0 {
		return ""
	}
	return wordsOf(e).word[e.Number()]
}

// Enum gives the enum value of a word; an unknown or empty word gives the zero
// value.
func Enum[E interface {
	~int32
	protoreflect.Enum
}](word string) E {
	if word == "" {
		return 0
	}
	return E(wordsOf(E(0)).number[strings.ToLower(word)])
}

// vocabulary are the words of one enum. Making a word anew for every value of an
// answer was an eighth of all that an evaluation allocated.
type vocabulary struct {
	word   map[protoreflect.EnumNumber]string
	number map[string]protoreflect.EnumNumber
}

var vocabularies sync.Map // by descriptor

func wordsOf(e protoreflect.Enum) *vocabulary {
	d := e.Descriptor()
	if known, ok := vocabularies.Load(d); ok {
		return known.(*vocabulary)
	}
	made, _ := vocabularies.LoadOrStore(d, newVocabulary(d.Values()))
	return made.(*vocabulary)
}

func newVocabulary(values protoreflect.EnumValueDescriptors) *vocabulary {
	v := &vocabulary{word: map[protoreflect.EnumNumber]string{}, number: map[string]protoreflect.EnumNumber{}}
	zero := string(values.ByNumber(0).Name())
	for i := range values.Len() {
		value := values.Get(i)
		if value.Number() == 0 {
			continue
		}
		word := words.OfEnum(string(value.Name()), zero)
		v.word[value.Number()], v.number[word] = word, value.Number()
	}
	return v
}
