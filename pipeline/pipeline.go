package pipeline

import "lectern/pipeline/speech"

const (
	sampleRateHz    = speech.SampleRateHz
	frameSamples    = speech.FrameSamples
	framesPerSecond = speech.FramesPerSecond
)
