package testfile

// Alarms say what a person is to be told of, and whom. They are judged beside
// the reduction and change no value. Glueline monitors; it is not a protective
// system, and no alarm of it stands in for one.
type Alarms struct {
	Limits  Named[AlarmLimit] `yaml:"limits" doc:"readings that must not pass a value"`
	Flags   Named[AlarmFlag]  `yaml:"flags" doc:"flags that must not stay"`
	Silence Silence           `yaml:"silence" doc:"sources that must not fall silent"`
	Tell    []Teller          `yaml:"tell" doc:"who is told, in order: the next when nobody has acknowledged"`
	Given   bool              `yaml:"-"`
	Mark    Mark              `yaml:"-"`
}

// AlarmLimit is a limit with up to three levels on either side. In Of each name
// is judged by itself.
type AlarmLimit struct {
	Of         []Word   `yaml:"of" need:"yes" doc:"channels, rosettes, temperatures or auxiliary quantities; each is judged by itself"`
	Reading    Word     `yaml:"reading" enum:"strain,stress,von-mises,tresca,s1,s2,e1,e2,value" need:"yes" doc:"strain or stress of channels; of rosettes an equivalent or principal stress, or a principal strain; value of temperatures and auxiliary quantities, in their own unit"`
	Above      Levels   `yaml:"above" doc:"levels that it must not reach from below"`
	Below      Levels   `yaml:"below" doc:"levels that it must not reach from above"`
	Hysteresis Quantity `yaml:"hysteresis" unit:"m/m or Pa or bare" range:">=0" doc:"how far it must come back before a level has ended; 0 when absent"`
	Samples    Quantity `yaml:"samples" unit:"bare" range:"[1,1000000]" doc:"samples in a row that must be beyond it; 1 when absent"`
	For        Quantity `yaml:"for" unit:"s" range:">=0" doc:"how long they must be beyond it as well, in the time of the data; 0 s when absent"`
	Action     Word     `yaml:"action" doc:"what whoever is told shall do"`
}

// Levels are values in the reading's unit, each further out than the one before.
type Levels struct {
	Notice  Quantity `yaml:"notice" unit:"m/m or Pa or bare" range:"(-1e300,1e300)"`
	Warning Quantity `yaml:"warning" unit:"m/m or Pa or bare" range:"(-1e300,1e300)"`
	Danger  Quantity `yaml:"danger" unit:"m/m or Pa or bare" range:"(-1e300,1e300)"`
	Given   bool     `yaml:"-"`
	Mark    Mark     `yaml:"-"`
}

// List returns the levels from the mildest on.
func (l *Levels) List() [3]Quantity { return [3]Quantity{l.Notice, l.Warning, l.Danger} }

// AlarmFlag is about flags of channels or rosettes that stay.
type AlarmFlag struct {
	Of      []Word   `yaml:"of" doc:"channels or rosettes; every channel when absent"`
	Flags   []Word   `yaml:"flags" need:"yes" doc:"names of flags; any of them counts"`
	Level   Word     `yaml:"level" enum:"notice,warning,danger" need:"yes"`
	Samples Quantity `yaml:"samples" unit:"bare" range:"[1,1000000]" doc:"samples in a row that must carry one; 1 when absent"`
	For     Quantity `yaml:"for" unit:"s" range:">=0" doc:"how long as well; 0 s when absent"`
	Action  Word     `yaml:"action" doc:"what whoever is told shall do"`
}

// Silence is about sources from which no frame comes, by the clock of the service.
type Silence struct {
	Of     []Word   `yaml:"of" doc:"sources; every source when absent"`
	After  Quantity `yaml:"after" unit:"s" range:">0" need:"yes" doc:"how long no frame may come"`
	Level  Word     `yaml:"level" enum:"notice,warning,danger" need:"yes"`
	Action Word     `yaml:"action" doc:"what whoever is told shall do"`
	Given  bool     `yaml:"-"`
	Mark   Mark     `yaml:"-"`
}

// Teller is one who is told. How that is done stands in a file of its own, not
// here: a new telephone number is no new calibration.
type Teller struct {
	Who   Word     `yaml:"who" need:"yes" doc:"a name in the file of ways"`
	From  Word     `yaml:"from" enum:"notice,warning,danger" doc:"lowest level that it is told of; notice when absent"`
	After Quantity `yaml:"after" unit:"s" range:">=0" doc:"how long after the one before, when nobody has acknowledged; 0 s when absent"`
}
