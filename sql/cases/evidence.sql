-- purpose: the evidence of the cases of a family, in the order in which it is weighed.
-- grain: one row a case and piece of evidence
-- inputs: case_evidence
-- parameters: fault
-- output: machine_id, side, case_no, evidence, outcome, position, count, total, low, high, tenths
SELECT machine_id, side, case_no, evidence, outcome, position, count, total, low, high, tenths
FROM case_evidence
WHERE fault = $fault
ORDER BY machine_id, side, case_no, position, evidence
