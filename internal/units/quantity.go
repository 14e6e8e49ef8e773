package units

import "math"

// Length is a distance in millimetres (mm), 0 or more: leaflet heights, annulus
// diameters, ring dimensions, perimeters, coaptation lengths, chamber diameters.
type Length float64

// Offset is a signed distance in millimetres (mm): a difference of two lengths
// or a position on an axis. A predicted overlap below 0 is a gap.
type Offset float64

// Area is a surface in square centimetres (cm2): orifices, annulus, leaflets.
type Area float64

// Volume is a volume in millilitres (mL). A difference of two volumes is a
// Volume too and may be below 0.
type Volume float64

// StrokeDistance is a velocity-time integral in centimetres (cm).
type StrokeDistance float64

// Velocity is a speed of blood in centimetres per second (cm/s).
type Velocity float64

// Pressure is a pressure or a pressure gradient in millimetres of mercury (mm[Hg]).
type Pressure float64

// Fraction is a share in percent (%): ejection fraction, regurgitant fraction.
type Fraction float64

// Duration is a time span in milliseconds (ms).
type Duration float64

// Angle is an angle in degrees (deg).
type Angle float64

// Rate is a frequency per minute (/min): heart rate.
type Rate float64

// Ratio is a pure number (1).
type Ratio float64

// FlowRate is a volume flow in millilitres per second (mL/s).
type FlowRate float64

// BodyHeight is a standing height in centimetres (cm).
type BodyHeight float64

// BodyWeight is a body mass in kilograms (kg).
type BodyWeight float64

// BodySurface is a body surface area in square metres (m2).
type BodySurface float64

// IndexedVolume is a volume per body surface in mL/m2.
type IndexedVolume float64

// IndexedArea is an area per body surface in mm2/m2.
type IndexedArea float64

// IndexedLength is a length per body surface in mm/m2.
type IndexedLength float64

// CardiacOutput is a flow in litres per minute (L/min).
type CardiacOutput float64

// Minutes is a span of time on the clock in minutes (min).
type Minutes float64

const (
	mmPerCM       = 10
	mm2PerCM2     = 100
	mlPerLitre    = 1000
	msPerSecond   = 1000
	cmPerMetre    = 100
	percent       = 100
	degHalfCircle = 180
)

// LengthFromCM gives the length of a number of centimetres.
func LengthFromCM(cm float64) Length { return Length(cm * mmPerCM) }

// CM gives the number of centimetres.
func (l Length) CM() float64 { return float64(l) / mmPerCM }

// Plus adds two lengths.
func (l Length) Plus(m Length) Length { return l + m }

// Minus gives the signed difference l - m.
func (l Length) Minus(m Length) Offset { return Offset(l) - Offset(m) }

// Times gives the area of the rectangle of two lengths.
func (l Length) Times(m Length) Area { return Area(l.CM() * m.CM()) }

// Scaled multiplies a length by a pure number.
func (l Length) Scaled(k Ratio) Length { return l * Length(k) }

// Over gives the quotient of two lengths; m = 0 gives an infinity or NaN.
func (l Length) Over(m Length) Ratio { return Ratio(l / m) }

// Indexed divides a length by the body surface.
func (l Length) Indexed(b BodySurface) IndexedLength { return IndexedLength(float64(l) / float64(b)) }

// Offset gives the length as a signed distance.
func (l Length) Offset() Offset { return Offset(l) }

// Plus adds two signed distances.
func (o Offset) Plus(p Offset) Offset { return o + p }

// Scaled multiplies a signed distance by a pure number.
func (o Offset) Scaled(k Ratio) Offset { return o * Offset(k) }

// Size gives the distance without its sign.
func (o Offset) Size() Length { return Length(math.Abs(float64(o))) }

// NotBelowZero gives the distance as a length, and 0 where it is negative.
func (o Offset) NotBelowZero() Length { return Length(math.Max(0, float64(o))) }

// AreaFromMM2 gives the area of a number of square millimetres.
func AreaFromMM2(mm2 float64) Area { return Area(mm2 / mm2PerCM2) }

// MM2 gives the number of square millimetres.
func (a Area) MM2() float64 { return float64(a) * mm2PerCM2 }

// Plus adds two areas.
func (a Area) Plus(b Area) Area { return a + b }

// Scaled multiplies an area by a pure number.
func (a Area) Scaled(k Ratio) Area { return a * Area(k) }

// Over gives the quotient of two areas; b = 0 gives an infinity or NaN.
func (a Area) Over(b Area) Ratio { return Ratio(a / b) }

// TimesVelocity gives the flow through an area at one velocity.
func (a Area) TimesVelocity(v Velocity) FlowRate { return FlowRate(float64(a) * float64(v)) }

// TimesStroke gives the volume that passes an area over one stroke distance.
func (a Area) TimesStroke(s StrokeDistance) Volume { return Volume(float64(a) * float64(s)) }

// Indexed divides an area by the body surface.
func (a Area) Indexed(b BodySurface) IndexedArea { return IndexedArea(a.MM2() / float64(b)) }

// Plus adds two volumes.
func (v Volume) Plus(w Volume) Volume { return v + w }

// Minus gives the difference v - w, which may be below 0.
func (v Volume) Minus(w Volume) Volume { return v - w }

// Scaled multiplies a volume by a pure number.
func (v Volume) Scaled(k Ratio) Volume { return v * Volume(k) }

// Over gives the quotient of two volumes; w = 0 gives an infinity or NaN.
func (v Volume) Over(w Volume) Ratio { return Ratio(v / w) }

// OverStroke gives the area whose stroke distance carries this volume.
func (v Volume) OverStroke(s StrokeDistance) Area { return Area(float64(v) / float64(s)) }

// OverDuration gives the mean flow of a volume that passes within d.
func (v Volume) OverDuration(d Duration) FlowRate { return FlowRate(float64(v) / d.Seconds()) }

// AtRate gives the output of a stroke volume at a heart rate.
func (v Volume) AtRate(r Rate) CardiacOutput {
	return CardiacOutput(float64(v) * float64(r) / mlPerLitre)
}

// Indexed divides a volume by the body surface.
func (v Volume) Indexed(b BodySurface) IndexedVolume { return IndexedVolume(float64(v) / float64(b)) }

// Over gives the quotient of two stroke distances.
func (s StrokeDistance) Over(t StrokeDistance) Ratio { return Ratio(s / t) }

// VelocityFromMPerS gives the velocity of a number of metres per second.
func VelocityFromMPerS(m float64) Velocity { return Velocity(m * cmPerMetre) }

// MPerS gives the number of metres per second.
func (v Velocity) MPerS() float64 { return float64(v) / cmPerMetre }

// Plus adds two pressures.
func (p Pressure) Plus(q Pressure) Pressure { return p + q }

// Ratio gives the share as a pure number: 50 % is 0.5.
func (f Fraction) Ratio() Ratio { return Ratio(f / percent) }

// DurationFromSeconds gives the time span of a number of seconds.
func DurationFromSeconds(s float64) Duration { return Duration(s * msPerSecond) }

// Seconds gives the number of seconds.
func (d Duration) Seconds() float64 { return float64(d) / msPerSecond }

// AngleFromRadians gives the angle of a number of radians.
func AngleFromRadians(r float64) Angle { return Angle(r * degHalfCircle / math.Pi) }

// Radians gives the number of radians.
func (a Angle) Radians() float64 { return float64(a) * math.Pi / degHalfCircle }

// Percent gives the pure number as a share: 0.5 is 50 %.
func (r Ratio) Percent() Fraction { return Fraction(r * percent) }

// Scaled multiplies a flow by a pure number.
func (f FlowRate) Scaled(k Ratio) FlowRate { return f * FlowRate(k) }

// OverVelocity gives the area through which a flow passes at a velocity.
func (f FlowRate) OverVelocity(v Velocity) Area { return Area(float64(f) / float64(v)) }

// Metres gives the number of metres.
func (h BodyHeight) Metres() float64 { return float64(h) / cmPerMetre }

// PerBeat gives the volume of one beat at a heart rate.
func (c CardiacOutput) PerBeat(r Rate) Volume {
	return Volume(float64(c) * mlPerLitre / float64(r))
}
